"""How dates and numbers are written, by language. Django reads the modules below by name."""
