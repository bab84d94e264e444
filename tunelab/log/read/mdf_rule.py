"""What an MDF conversion rule makes of the raw values of a channel: by the kit's own arithmetic, never by running text.

The rules are those of ASAM MDF 4.1 (channel conversion block) and MDF 3.3 (channel conversion block). Their numbers,
the meaning of each rule and the functions of a formula are given from memory of the standards, and the tests hold the
values against what the reading library makes of them. A rule that two programs could read in two ways is refused.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import numpy as np

_LONGEST_FORMULA = 2000  # letters
_DEEPEST = 40  # parentheses in parentheses, and rules in rules
WAY_OUT = "write the log out again with this channel in physical values, or as CSV"


class RuleError(ValueError):
    """A rule that is not applied; the message says what it is and what was wanted."""


# formulas -----------------------------------------------------------------------------------------------------------

_TOKEN = re.compile(r"\s*(?:(\d+\.?\d*(?:[eE][+-]?\d+)?|\.\d+(?:[eE][+-]?\d+)?)|([A-Za-z_]\w*)|([-+*/^(),]))", re.ASCII)
_OF_ONE: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "sin": np.sin, "cos": np.cos, "tan": np.tan, "asin": np.arcsin, "acos": np.arccos, "atan": np.arctan,
    "sinh": np.sinh, "cosh": np.cosh, "tanh": np.tanh, "exp": np.exp, "ln": np.log, "log10": np.log10,
    "sqrt": np.sqrt, "abs": np.abs,
}  # fmt: skip
_KNOWN = f"numbers, X1, + - * / ^, parentheses, pow and {', '.join(_OF_ONE)}"


def evaluate_formula(formula: str, raw: np.ndarray) -> np.ndarray:
    """Work out a formula of one variable, as an algebraic rule holds it.

    Parameters
    ----------
    formula : str
        Numbers, `X1` (or `X`), `+ - * / ^` (a power, which binds tighter than a sign before it and groups from the
        right, as in mathematics), parentheses, and the functions of `_KNOWN`. Letter case does not matter.
    raw : array, shape (n,)
        Raw values.

    Returns
    -------
    array, shape (n,)
        NaN or infinite where the formula has no value, or where `raw` is NaN.

    Raises
    ------
    RuleError
        Anything else stands in it. `log` too: some programs take it as natural, others to base 10.
    """
    if len(formula) > _LONGEST_FORMULA:
        raise RuleError(f"is a formula of {len(formula)} letters, and at most {_LONGEST_FORMULA} are worked out")
    reading = _Formula(_tokens(formula), raw.astype(float))
    with np.errstate(all="ignore"):
        return np.broadcast_to(reading.whole(), raw.shape).astype(float)


def _tokens(formula: str) -> list[str]:
    tokens, at, text = [], 0, formula.strip().rstrip("\0").strip()
    while at < len(text):
        found = _TOKEN.match(text, at)
        if found is None:
            raise RuleError(f"has {text[at:].strip()[:20]!r} in its formula, and a formula may hold only {_KNOWN}")
        tokens.append(found.group(found.lastindex or 0).lower())
        at = found.end()
    return tokens


class _Formula:
    """A formula being read from left to right; what each method reads is worked out at once."""

    def __init__(self, tokens: list[str], raw: np.ndarray) -> None:
        self._tokens, self._raw, self._at, self._depth = tokens, raw, 0, 0

    def whole(self) -> np.ndarray:
        value = self._sum()
        if self._next():
            raise RuleError(f"has {self._next()!r} in its formula where an operator or the end was wanted")
        return value

    def _next(self) -> str:
        return self._tokens[self._at] if self._at < len(self._tokens) else ""

    def _take(self, wanted: tuple[str, ...]) -> str:
        found = self._next()
        if found not in wanted or not found:
            return ""
        self._at += 1
        return found

    def _need(self, wanted: str) -> None:
        if not self._take((wanted,)):
            raise RuleError(f"lacks a {wanted!r} in its formula before {self._next() or 'its end'!r}")

    def _sum(self) -> np.ndarray:
        value = self._product()
        while sign := self._take(("+", "-")):
            other = self._product()
            value = value + other if sign == "+" else value - other
        return value

    def _product(self) -> np.ndarray:
        value = self._signed()
        while sign := self._take(("*", "/")):
            other = self._signed()
            value = value * other if sign == "*" else np.divide(value, other)
        return value

    def _signed(self) -> np.ndarray:
        """Read a value with the signs before it; each level down to the next value counts toward the depth."""
        self._depth += 1
        if self._depth > _DEEPEST:
            raise RuleError("has too many parentheses or signs within each other in its formula")
        sign = self._take(("+", "-"))
        value = self._signed() if sign else self._power()
        self._depth -= 1
        return -value if sign == "-" else value

    def _power(self) -> np.ndarray:
        base = self._single()
        return np.power(base, self._signed()) if self._take(("^",)) else base

    def _single(self) -> np.ndarray:
        token = self._next()
        self._at += 1
        if token == "(":
            value = self._sum()
            self._need(")")
            return value
        if token in ("x1", "x"):
            return self._raw
        if token == "pow" or token in _OF_ONE:
            return self._call(token)
        if token[:1].isdigit() or token[:1] == ".":
            return np.asarray(np.float64(token))
        raise RuleError(f"has {token or 'nothing'!r} in its formula, and a formula may hold only {_KNOWN}")

    def _call(self, name: str) -> np.ndarray:
        self._need("(")
        first = self._sum()
        if name == "pow":
            self._need(",")
            second = self._sum()
        self._need(")")
        return np.power(first, second) if name == "pow" else _OF_ONE[name](first)


# rules --------------------------------------------------------------------------------------------------------------

Rule = Callable[[Any, np.ndarray, int], np.ndarray]
_MDF_4 = 4


def apply_rule(rule: Any, raw: np.ndarray, version: int, depth: int = 0) -> np.ndarray:
    """Give a channel's physical values.

    Parameters
    ----------
    rule : conversion block of the reading library, or None
        Only its numbers and texts are looked at; nothing of it is called.
    raw : array, shape (n,)
        Raw values: numbers, or text.
    version : int
        3 or 4: the main version of the file, on which the rules' numbers depend.
    depth : int
        How many rules this one stands in.

    Returns
    -------
    array, shape (n,)
        float64, or text where the rule gives text. "" where a table of texts has no row and no default for a value.

    Raises
    ------
    RuleError
        A rule that is not applied.
    """
    kind = 65535 if rule is None and version < _MDF_4 else 0 if rule is None else int(rule.conversion_type)
    rules = _RULES_4 if version >= _MDF_4 else _RULES_3
    if depth > _DEEPEST or kind not in rules:
        raise RuleError(_NOT_APPLIED.get((min(version, _MDF_4), kind), f"is of a kind ({kind}) that is not known"))
    is_text = raw.dtype.kind in "SU"
    if is_text and rules[kind] not in (_unchanged, _text_to_value):
        raise RuleError("counts with numbers, and the channel holds text")
    if not is_text and rules[kind] is _text_to_value:
        raise RuleError("looks up texts, and the channel holds numbers")
    with np.errstate(all="ignore"):
        return rules[kind](rule, raw, depth)


def _unchanged(rule: Any, raw: np.ndarray, depth: int) -> np.ndarray:
    return raw


def _linear(rule: Any, raw: np.ndarray, depth: int) -> np.ndarray:
    return raw.astype(float) * rule.a + rule.b


def _rational(rule: Any, raw: np.ndarray, depth: int) -> np.ndarray:
    x = raw.astype(float)
    return (rule.P1 * x**2 + rule.P2 * x + rule.P3) / (rule.P4 * x**2 + rule.P5 * x + rule.P6)


def _polynomial(rule: Any, raw: np.ndarray, depth: int) -> np.ndarray:
    """MDF 3: INT = (P1 PHYS + P2) / (P3 PHYS + P4) + P5 + P6 the other way round, written for PHYS."""
    x = raw.astype(float) - rule.P5 - rule.P6
    return (rule.P2 - rule.P4 * x) / (rule.P3 * x - rule.P1)


def _algebraic(rule: Any, raw: np.ndarray, depth: int) -> np.ndarray:
    return evaluate_formula(str(rule.formula), raw)


def _algebraic_3(rule: Any, raw: np.ndarray, depth: int) -> np.ndarray:
    """As the file has it: the reading library's own `formula` has had letters replaced."""
    return evaluate_formula(_latin(rule.formula_field), raw)


def _pairs(rule: Any, count: int) -> tuple[np.ndarray, np.ndarray]:
    keys, values = (np.array([float(rule[f"{of}_{i}"]) for i in range(count)]) for of in ("raw", "phys"))
    if not count or not (np.diff(keys) > 0).all():
        raise RuleError("is a table that is empty, or whose raw values do not rise")
    return keys, values


def _interpolated(rule: Any, raw: np.ndarray, depth: int) -> np.ndarray:
    """Straight lines between the rows of a table; its end values beyond them."""
    return np.interp(raw.astype(float), *_pairs(rule, _rows_of_pairs(rule)))


def _nearest(rule: Any, raw: np.ndarray, depth: int) -> np.ndarray:
    """The row whose raw value lies nearest, of two the lower one."""
    keys, values = _pairs(rule, _rows_of_pairs(rule))
    middles = (keys[1:] + keys[:-1]) / 2
    x = raw.astype(float)
    return np.where(np.isnan(x), np.nan, values[np.searchsorted(middles, x, side="left")])


def _rows_of_pairs(rule: Any) -> int:
    return int(rule.val_param_nr) // 2 if hasattr(rule, "val_param_nr") else int(rule.ref_param_nr)


def _ranges(rule: Any, raw: np.ndarray, count: int, *, closed: bool) -> np.ndarray:
    """Row of a table of ranges for each value, -1 where none; whole numbers belong to a range up to its upper end."""
    lower, upper = (np.array([float(rule[f"{of}_{i}"]) for i in range(count)]) for of in ("lower", "upper"))
    x, row = raw.astype(float), np.full(raw.shape, -1)
    for i in reversed(range(count)):  # the first range that holds a value counts
        row[(x >= lower[i]) & ((x <= upper[i]) if closed else (x < upper[i]))] = i
    return row


def _is_whole(raw: np.ndarray) -> bool:
    return raw.dtype.kind in "iub"


def _range_to_value(rule: Any, raw: np.ndarray, depth: int) -> np.ndarray:
    count = (int(rule.val_param_nr) - 1) // 3
    row = _ranges(rule, raw, count, closed=_is_whole(raw))
    values = np.array([*(float(rule[f"phys_{i}"]) for i in range(count)), float(rule.default)])
    return values[row]  # -1, no range, is the default, which stands last


def _value_to_text(rule: Any, raw: np.ndarray, depth: int) -> np.ndarray:
    count, x, row = int(rule.val_param_nr), raw.astype(float), np.full(raw.shape, -1)
    for i in reversed(range(count)):
        row[x == float(rule[f"val_{i}"])] = i
    return _texts(rule, raw, row, count, depth)


def _range_to_text(rule: Any, raw: np.ndarray, depth: int) -> np.ndarray:
    count = int(rule.val_param_nr) // 2
    return _texts(rule, raw, _ranges(rule, raw, count, closed=_is_whole(raw)), count, depth)


def _texts(rule: Any, raw: np.ndarray, row: np.ndarray, count: int, depth: int) -> np.ndarray:
    """Text of each value's row; a row may hold a rule instead: a state for some values, a scale for others."""
    blocks = rule.referenced_blocks
    places = [*(blocks.get(f"text_{i}") for i in range(count)), blocks.get("default_addr")]
    given = np.full(raw.shape, "", dtype=object)
    are_numbers = True
    for i, place in enumerate(places):
        at = row == (i if i < count else -1)
        if not at.any():
            continue
        if place is None or isinstance(place, bytes):
            given[at], are_numbers = _text(place), False
            continue
        values = apply_rule(place, raw[at], _MDF_4, depth + 1)
        are_numbers = are_numbers and values.dtype.kind not in "SU"
        given[at] = values
    return given.astype(float) if are_numbers and given.size else np.array([_word(value) for value in given], dtype=str)


def _text(place: bytes | None) -> str:
    return (place or b"").split(b"\0")[0].decode("utf-8", "replace").strip()


def _word(value: Any) -> str:
    return value if isinstance(value, str) else _text(value) if isinstance(value, bytes) else repr(float(value))


def _text_to_value(rule: Any, raw: np.ndarray, depth: int) -> np.ndarray:
    blocks, count = rule.referenced_blocks, int(rule.ref_param_nr)
    table = {_text(blocks.get(f"text_{i}")): float(rule[f"val_{i}"]) for i in reversed(range(count))}
    words = (_word(value).strip() for value in raw.tolist())
    return np.array([table.get(word, float(rule.val_default)) for word in words], dtype=float)


def _value_to_text_3(rule: Any, raw: np.ndarray, depth: int) -> np.ndarray:
    table = {float(rule[f"param_val_{i}"]): rule[f"text_{i}"] for i in reversed(range(int(rule.ref_param_nr)))}
    return np.array([_latin(table.get(value, b"")) for value in raw.astype(float).tolist()], dtype=str)


def _range_to_text_3(rule: Any, raw: np.ndarray, depth: int) -> np.ndarray:
    """MDF 3: both ends belong to a range; the first row of the block is the default."""
    count, blocks = int(rule.ref_param_nr) - 1, rule.referenced_blocks
    texts = [_latin(blocks.get(name)) for name in (*(f"text_{i}" for i in range(count)), "default_addr")]
    row = _ranges(rule, raw, count, closed=True)
    if "{x}" in texts[-1].lower() and (row == -1).any():
        raise RuleError("has a text as its default that holds a formula")
    return np.array(texts, dtype=str)[row]


def _latin(text: bytes | None) -> str:
    return (text or b"").split(b"\0")[0].decode("latin-1").strip()


_RULES_4: dict[int, Rule] = {
    0: _unchanged, 1: _linear, 2: _rational, 3: _algebraic, 4: _interpolated, 5: _nearest, 6: _range_to_value,
    7: _value_to_text, 8: _range_to_text, 9: _text_to_value,
}  # fmt: skip
_RULES_3: dict[int, Rule] = {
    65535: _unchanged, 0: _linear, 1: _interpolated, 2: _nearest, 6: _polynomial, 9: _rational, 10: _algebraic_3,
    11: _value_to_text_3, 12: _range_to_text_3,
}  # fmt: skip
_TWO_WAYS = "is MDF 3's exponential or logarithmic rule, which programs read in two ways"
_NOT_APPLIED = {
    (3, 7): _TWO_WAYS,
    (3, 8): _TWO_WAYS,
    (4, 10): "puts one text in place of another, which is not done here",
    (4, 11): "makes texts of single bits, which is not done here",
}
