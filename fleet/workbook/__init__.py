"""The spreadsheet door: sheets and columns as data, cells to values, rows to tables."""
