"""How the catalogue's shape came to be, one revision per change. Run by `refdb.schema`."""
