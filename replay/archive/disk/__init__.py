"""How bytes come to rest: places, fsync, seals, exchanges."""
