"""The spreadsheet door of scheduling's tables: technicians, shifts, absences, access hours, plans."""
