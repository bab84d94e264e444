"""How much a file may unpack to: content that would fill the memory is refused before any of it is unpacked."""

from __future__ import annotations

from tunelab.log.read.raw import ReadError

MOST_PACKED = 200  # a log packs 5 to 60 times; what unpacks to more than this is no log but would fill the memory
ALWAYS_UNPACKED = 1 << 26


def most_unpacked(packed: int) -> int:
    """Most bytes that a file of so many bytes may unpack to."""
    return max(MOST_PACKED * packed, ALWAYS_UNPACKED)


def require_plausible_size(unpacked: int, packed: int, what: str) -> None:
    """Refuse content by the size that it says it has.

    Raises
    ------
    ReadError
        It says that it unpacks to more than 64 MB and 200 times its size.
    """
    if unpacked > most_unpacked(packed):
        raise ReadError(
            f"the {what} content says that it unpacks to {unpacked / 1e6:.0f} MB, more than {MOST_PACKED} times its "
            "size, as no log does; look at it by hand before it is read."
        )
