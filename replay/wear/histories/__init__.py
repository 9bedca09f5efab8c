"""One indicator of one unit over its sessions, made comparable."""
