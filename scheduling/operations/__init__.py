"""How the program itself is doing: backups, watching, long work asked for on pages."""
