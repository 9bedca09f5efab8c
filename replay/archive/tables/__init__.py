"""Small tables as Delta Lake: files, commits, manifests, second copies."""
