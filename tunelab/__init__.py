"""Notebook kit for tuning a self-built engine management from drive logs."""

__version__ = "0.1.0"
