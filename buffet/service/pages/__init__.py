"""Pages of the service: plain data into HTML; nothing here asks a database or computes a result."""
