"""Runs the standard analysis over the sessions of many cars, again only where something changed."""

from tunelab.record.archive.run import (
    Archived,
    ArchiveError,
    Wanted,
    client_of,
    local_client,
    run_archive,
    standard_notebooks,
)

__all__ = ["ArchiveError", "Archived", "Wanted", "client_of", "local_client", "run_archive", "standard_notebooks"]
