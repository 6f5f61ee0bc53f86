"""A real web server under load, on a PostgreSQL with 100,000 treatment units: ``python -m tests.load``."""
