"""A starting `channels.toml` from what inspection found, for its owner to go through."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import tomlkit

from tunelab.log.inspect import ColumnView, Inspection
from tunelab.log.map.problem import toml_text
from tunelab.log.map.quantity import Form
from tunelab.log.map.recognise import SHARE_NOTE, rule_unit
from tunelab.workspace.channel_map import ColumnRule, plain_heading

_HEAD = """\
# Columns of this logger, as found by `tunelab inspect`. Go through it: a rule here goes before every guess.
# `tunelab list --channels` names every channel. An open column that no step of a session needs stops nothing.
# Lines that begin with # say what was understood without doubt; they need no rule.
"""


def write_starting_map(inspections: Sequence[Inspection], known: Collection[str] = ()) -> str:
    """Text of a starting `channels.toml`, or of what is to be added to one that has the headings `known` already.

    Columns found from their numbers become rules, so that the guess is on record. Columns that stay open become rules
    with "fill in" for what only the owner knows, and the candidates beside it. Columns without a channel are listed as
    comments, ready to be given one.
    """
    parts = [] if known else [_HEAD]
    seen = {plain_heading(heading).casefold() for heading in known}
    for inspection in inspections:
        if inspection.clock is None:
            parts.append("# " + "\n# ".join(_printable(line) for line in inspection.clock_problem.splitlines()) + "\n")
        for view in inspection.columns:
            heading = plain_heading(view.column.heading).casefold()
            settled = known and view.sure in ("stated", "said") and not (view.match and view.match.rule)
            if heading not in seen and not settled:
                parts.append(_entry(view))
            seen.add(heading)
    return "\n".join(parts)


def _entry(view: ColumnView) -> str:
    name = f"name = {toml_text(view.column.heading)}"
    if view.asked:
        return "\n".join(["[[column]]", name, *(f"{key} = {value}" for key, value in view.asked.items())]) + "\n"
    if view.match and view.match.rule and view.sure != "open":
        return rule_text(view.match.rule)
    if view.channel == "time" or view.sure in ("stated", "said"):
        return f"# {toml_text(view.column.heading)}: {view.channel} ({_printable(view.why)})"
    if view.sure == "likely" and view.match and view.match.form:
        form = view.match.form
        lines = ["[[column]]", name, f'channel = "{form.channel}"', f'unit = "{_unit(form)}"  # {_printable(view.why)}']
        return "\n".join(lines) + "\n"
    if view.sure == "open" and view.match:
        return _open_entry(view, name)
    return "\n".join([f"# {_printable(view.why)}", "# [[column]]", f"# {name}", '# channel = "..."']) + "\n"


def rule_text(rule: ColumnRule) -> str:
    """Write a rule as it stands in a channels.toml, for the map of another car with the same logger."""
    keys = rule.model_dump(exclude_defaults=True, exclude={"file"})
    return "[[column]]\n" + "".join(f"{key} = {tomlkit.item(value).as_string()}\n" for key, value in keys.items())


def _open_entry(view: ColumnView, name: str) -> str:
    forms = view.match.forms
    channels = " or ".join(dict.fromkeys(f'"{form.channel}"' for form in forms))
    units = " or ".join(dict.fromkeys(f'"{_unit(form)}"' for form in forms))
    is_one = len({form.channel for form in forms}) == 1
    lines = ["[[column]]", name]
    lines.append(f"channel = {channels}" if is_one else f'channel = "fill in"  # {channels}')
    share = f",{SHARE_NOTE}" if any(form.kind == "share" for form in forms) else ""
    lines.append(f'unit = "fill in"  # {units}{share}; {_printable(view.why)}')
    return "\n".join(lines) + "\n"


def _unit(form: Form) -> str:
    return f"{form.unit} gauge" if form.kind == "gauge" else rule_unit(form)


def _printable(text: str) -> str:
    """Replace what a terminal or editor might take as a command."""
    return "".join(character if character.isprintable() else "?" for character in text)
