"""Alembic steps from one schema to the next; shipped with the program and run when a logbook is opened."""
