"""Takes a company's own spreadsheet: recognises its columns, reads its values, makes rows of the template."""
