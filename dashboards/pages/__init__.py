"""One module a page; `dashboards.app` lists them."""
