"""What keeps a file from being mapped, with the lines of channels.toml that settle it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any


class MapError(ValueError):
    """Columns that cannot be mapped without the owner's word; `problems` holds every one."""

    def __init__(self, file_name: str, problems: Sequence[str]):
        self.file_name = file_name
        self.problems = tuple(problems)
        count = f"{len(self.problems)} thing{'s' if len(self.problems) != 1 else ''} to settle in channels.toml"
        super().__init__(f"{file_name}: {count}.\n" + "\n".join(self.problems))

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self.file_name, self.problems)


def rule_lines(heading: str, **keys: str) -> str:
    """Write a `[[column]]` rule, indented, ready to be copied."""
    lines = ["[[column]]", f"name = {toml_text(heading)}"]
    lines += [f"{key} = {value}" for key, value in keys.items()]
    return "\n".join("    " + line for line in lines)


def toml_text(text: str) -> str:
    """Write a TOML basic string; control characters are escaped."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in escaped) + '"'
