"""Backup and restore: one file with the database, the photos and a list of what must be in it."""
