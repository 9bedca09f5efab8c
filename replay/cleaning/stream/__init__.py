"""Raw columns of one stream become clean ones, block by block."""
