"""How chip names are built: ordered rows of small named rules, one file per family of names."""
