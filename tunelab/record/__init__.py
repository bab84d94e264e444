"""Runs notebooks and writes the record."""
