"""MDF conversion rules: nothing in a file is run, and what the standard defines comes out as the library has it."""

import math
import random

import numpy as np
import pytest

from tunelab.log.read import ReadError, read_raw
from tunelab.log.read.mdf_rule import RuleError, apply_rule, evaluate_formula

asammdf = pytest.importorskip("asammdf", reason="the optional extra tunelab[mdf] is not installed")

TIME = np.arange(20) / 10
RAW = np.arange(20, dtype=np.int16) - 4


# Makes a file where it is run, though the evaluator behind the library looks for such text: what stands between single
# quotes it takes for a plain string.
ATTACK = (
    'X1*f\'{[c for c in ().__class__.__base__.__subclasses__() if c.__name__=="_wrap_close"][0]'
    '.__init__.__globals__["system"]("touch marker")}\''
)


def rule(version, **keys):
    from asammdf.blocks import v2_v3_blocks, v4_blocks

    return (v4_blocks if version == 4 else v2_v3_blocks).ChannelConversion(**keys)


def write_mdf(path, version, rules, clock=None):
    """One group with a channel for each rule, whose raw values are `RAW`."""
    with asammdf.MDF(version=version) as mdf:
        mdf.append([asammdf.Signal(RAW, TIME, name=name) for name in rules])
        for channel in mdf.groups[0].channels:
            if channel.name in rules and rules[channel.name] is not None:
                channel.conversion = rules[channel.name]
        if clock is not None:
            mdf.append([asammdf.Signal(RAW, TIME, name="Clocked")])
            mdf.groups[1].channels[0].conversion = clock
        return mdf.save(path, overwrite=True)


TEXTS = {"text_0": b"idle", "text_1": b"part"}


def rules_4():
    nested = {"conversion_type": 7, "val_param_nr": 1, "ref_param_nr": 2, "val_0": 0.0, "text_0": b"off"}
    return {
        "Plain": None,
        "Linear": rule(4, conversion_type=1, a=0.5, b=-40.0),
        "Formula": rule(4, conversion_type=3, formula="2*X1^1"),
        "Power": rule(4, conversion_type=3, formula="pow(X1,1)*2"),
        "State": rule(4, **(nested | {"default_addr": rule(4, conversion_type=1, a=2.0, b=0.0)})),
        "Attack": rule(4, conversion_type=3, formula=ATTACK),
        "Nested": rule(4, **(nested | {"default_addr": rule(4, conversion_type=3, formula=ATTACK)})),
    }


def test_a_formula_of_mdf_4_is_never_run_and_its_column_is_set_aside_in_words(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    clock = rule(4, conversion_type=3, formula=ATTACK)
    raw = read_raw(write_mdf(tmp_path / "log.mf4", "4.10", rules_4(), clock))
    assert not (tmp_path / "marker").exists()
    assert set(raw.frame.columns) == {"time", "Plain", "Linear", "Formula", "Power", "State"}
    np.testing.assert_array_equal(raw.frame["Plain"], RAW)
    np.testing.assert_array_equal(raw.frame["Linear"], RAW * 0.5 - 40)
    np.testing.assert_array_equal(raw.frame["Formula"], RAW * 2.0)
    np.testing.assert_array_equal(raw.frame["Power"], RAW * 2.0)
    for name in ("Attack", "Nested"):
        said = next(note for note in raw.notes if repr(name) in note)
        assert "left out" in said
        assert "c for c in" in said
        assert "X1, + - * /" in said
        assert "physical values" in said
    assert any("'Clocked' has a clock" in note for note in raw.notes)


def test_a_formula_of_mdf_3_is_never_run_and_its_clock_is_no_column(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    rules = {
        "Attack": rule(3, conversion_type=10, formula=ATTACK),
        "Formula": rule(3, conversion_type=10, formula="exp(0*X)+2*X^1"),
        "Polynomial": rule(3, conversion_type=6, P1=2.0, P2=0.5, P3=0.1, P4=3.0, P5=1.0, P6=0.0),
        "Exponential": rule(3, conversion_type=7, P1=1.0, P2=1.0, P3=0.0, P4=0.0, P5=0.0, P6=1.0, P7=0.0),
    }
    raw = read_raw(write_mdf(tmp_path / "log.mdf", "3.30", rules))
    assert not (tmp_path / "marker").exists()
    assert set(raw.frame.columns) == {"time", "Formula", "Polynomial"}
    np.testing.assert_array_equal(raw.frame["Formula"], RAW * 2.0 + 1)
    np.testing.assert_allclose(raw.frame["Polynomial"], (0.5 - 3 * (RAW - 1.0)) / (0.1 * (RAW - 1.0) - 2))
    assert any("'Exponential' has a conversion rule that is MDF 3's exponential" in note for note in raw.notes)
    assert any("'Attack'" in note for note in raw.notes)


def test_a_file_that_says_it_is_huge_is_refused(tmp_path):
    content = bytearray(write_mdf(tmp_path / "log.mf4", "4.10", {"Plain": None}).read_bytes())
    at = content.index(b"##CG") + 80  # ASAM MDF 4.1, channel group block: 24 + 6 links of 8 + record id of 8
    assert int.from_bytes(content[at : at + 8], "little") == RAW.size
    content[at : at + 8] = (10**9).to_bytes(8, "little")
    (tmp_path / "log.mf4").write_bytes(content)
    with pytest.raises(ReadError, match=r"^log\.mf4: the MDF content says that it unpacks to .* MB"):
        read_raw(tmp_path / "log.mf4")


# What the library makes of the rules that the standard defines, on raw values that it is given itself.
PAIRS = {"raw_0": 0.0, "phys_0": 10.0, "raw_1": 4.0, "phys_1": 20.0, "raw_2": 8.0, "phys_2": -5.0}
RANGES = {"lower_0": 0.0, "upper_0": 3.0, "lower_1": 5.0, "upper_1": 9.0}
SHARED = [
    (4, {"conversion_type": 0}),
    (4, {"conversion_type": 1, "a": 0.25, "b": 3.0}),
    (4, {"conversion_type": 2, "P1": 1.0, "P2": 2.0, "P3": 3.0, "P4": 0.5, "P5": 0.0, "P6": 2.0}),
    (4, {"conversion_type": 2, "P1": 0.0, "P2": 2.0, "P3": 0.0, "P4": 0.0, "P5": 0.0, "P6": 5.0}),
    (4, {"conversion_type": 3, "formula": "(X1+3)*2-X1/4+sin(X1)*sqrt(abs(X1))"}),
    (4, {"conversion_type": 4, "val_param_nr": 6, **PAIRS}),
    (4, {"conversion_type": 5, "val_param_nr": 6, **PAIRS}),
    (4, {"conversion_type": 6, "val_param_nr": 7, **RANGES, "phys_0": 1.5, "phys_1": 2.5, "default": -1.0}),
    (4, {"conversion_type": 7, "val_param_nr": 2, "ref_param_nr": 3, "val_0": 1.0, "val_1": 6.0, **TEXTS,
         "default_addr": b"else"}),
    (4, {"conversion_type": 8, "val_param_nr": 4, "ref_param_nr": 3, **RANGES, **TEXTS, "default_addr": b"else"}),
    (3, {"conversion_type": 0, "a": 0.25, "b": 3.0}),
    (3, {"conversion_type": 1, "ref_param_nr": 3, **PAIRS}),
    (3, {"conversion_type": 2, "ref_param_nr": 3, **PAIRS}),
    (3, {"conversion_type": 6, "P1": 2.0, "P2": 0.5, "P3": 0.1, "P4": 3.0, "P5": 1.0, "P6": 0.0}),
    (3, {"conversion_type": 9, "P1": 1.0, "P2": 2.0, "P3": 3.0, "P4": 0.5, "P5": 0.0, "P6": 2.0}),
    (3, {"conversion_type": 10, "formula": "2*X1+1"}),
    (3, {"conversion_type": 11, "ref_param_nr": 2, "param_val_0": 1.0, "param_val_1": 6.0, "text_0": b"idle",
         "text_1": b"part"}),
    (3, {"conversion_type": 12, "ref_param_nr": 3, **RANGES, **TEXTS, "default_addr": b"else"}),
]  # fmt: skip


# Of ranges of whole numbers the library gives values of the wrong ranges: they are held against the standard below.
RIGHT_THERE = [
    (version, keys, kind)
    for version, keys in SHARED
    for kind in ("int16", "float64")
    if (version, keys["conversion_type"], kind) != (4, 6, "int16")
]


@pytest.mark.parametrize(("version", "keys", "kind"), RIGHT_THERE, ids=lambda value: str(value)[:28])
def test_standard_rules_give_what_the_library_gives(version, keys, kind):
    block = rule(version, **keys)
    raw = RAW.astype(kind)
    expected = block.convert(raw.copy())
    found = apply_rule(block, raw, version)
    if expected.dtype.kind in "SO":
        assert [value.decode() for value in expected.tolist()] == found.tolist()
    else:
        np.testing.assert_allclose(found, expected, rtol=1e-12)


def test_between_two_rows_a_range_is_open_for_decimals_and_closed_for_whole_numbers():
    # ASAM MDF 4.1, value range to value: key min <= value < key max for decimals, <= key max for whole numbers.
    block = rule(4, conversion_type=6, val_param_nr=4, lower_0=0.0, upper_0=3.0, phys_0=7.0, default=-1.0)
    assert apply_rule(block, np.array([2.9, 3.0]), 4).tolist() == [7.0, -1.0]
    assert apply_rule(block, np.array([2, 3]), 4).tolist() == [7.0, 7.0]


def test_text_to_value_and_a_table_without_default():
    block = rule(4, conversion_type=9, links_nr=6, val_0=1.0, val_1=2.0, val_default=-1.0)
    block.referenced_blocks = {"text_0": b"CL\0", "text_1": b"OL\0"}
    assert apply_rule(block, np.array(["OL", "CL", "??"]), 4).tolist() == [2.0, 1.0, -1.0]
    block = rule(4, conversion_type=7, val_param_nr=1, ref_param_nr=2, val_0=1.0, text_0=b"on", default_addr=None)
    assert apply_rule(block, np.array([1, 2]), 4).tolist() == ["on", ""]


def test_rules_that_are_not_applied_say_what_they_are():
    for version, kind in ((4, 10), (4, 11), (4, 200), (3, 7), (3, 8), (3, 133)):
        block = rule(4, conversion_type=0)
        block.conversion_type = kind
        with pytest.raises(RuleError, match=r"^(is|makes|puts) .{15}"):
            apply_rule(block, RAW, version)
    with pytest.raises(RuleError, match="holds text"):
        apply_rule(rule(4, conversion_type=1, a=2.0, b=0.0), np.array(["CL"]), 4)
    block = rule(4, conversion_type=7, val_param_nr=1, ref_param_nr=2, val_0=1.0, text_0=b"on", default_addr=None)
    block.referenced_blocks["default_addr"] = block  # a rule that stands in itself
    with pytest.raises(RuleError):
        apply_rule(block, RAW, 4)


# Arithmetic by hand, and Python's math module for the functions.
@pytest.mark.parametrize(
    ("formula", "at_3"),
    [
        ("X1", 3.0), ("2*X1^1", 6.0), ("pow(X1,1)*2", 6.0), ("-X1^2", -9.0), ("2^-1*X", 1.5), ("2^X1^2", 512.0),
        ("(2^X1)^2", 64.0), ("1-2-X1", -4.0), ("8/2/X1", 8 / 2 / 3), ("--X1+ +1", 4.0), (" 1.5E1 * .5 ", 7.5),
        ("LN(X1)", math.log(3)), ("log10(X1)", math.log10(3)), ("exp(-x1)", math.exp(-3)), ("5.", 5.0),
        ("atan(tan(X1/10))", 0.3), ("X1/0", math.inf), ("sqrt(0-X1)", math.nan), ("abs(-X1)\0", 3.0),
    ],
)  # fmt: skip
def test_formula_by_hand(formula, at_3):
    found = evaluate_formula(formula, np.array([3, 3]))
    assert found.shape == (2,)
    np.testing.assert_allclose(found, at_3, rtol=1e-15)


def test_formula_passes_nan_through():
    assert np.isnan(evaluate_formula("2*X1+1", np.array([np.nan]))).all()


def _drawn(rng, depth):
    """A formula, and the same for Python's own arithmetic."""
    if depth == 0 or rng.random() < 0.2:
        number = f"{rng.uniform(0.1, 3):.3f}"
        return rng.choice([("X1", "x"), (number, number)])
    (a, pa), (b, pb) = _drawn(rng, depth - 1), _drawn(rng, depth - 1)
    kind = rng.choice(["+", "-", "*", "/", "()", "^", "-1", "f"])
    if kind in "+-*/":
        return f"{a}{kind}{b}", f"{pa}{kind}{pb}"
    if kind == "()":
        return f"({a})", f"({pa})"
    if kind == "^":
        return f"abs({a})^(1/(1+abs({b})))", f"abs({pa})**(1/(1+abs({pb})))"
    if kind == "-1":
        return f"(-{a})", f"(-{pa})"
    return f"atan({a})", f"math.atan({pa})"


def test_formulas_drawn_at_random_come_out_as_pythons_arithmetic():
    rng, tried = random.Random(11), 0
    for _ in range(400):
        formula, python = _drawn(rng, 4)
        try:
            expected = eval(python, {"math": math, "x": 2.5, "abs": abs})
        except ZeroDivisionError:
            continue
        tried += 1
        np.testing.assert_allclose(evaluate_formula(formula, np.array([2.5])), expected, rtol=1e-9)
    assert tried > 300


@pytest.mark.parametrize(
    "formula",
    [
        "", "log(X1)", "X1**2", "X1==2", "X1 if X1 else 2", "__import__('os')", "X1.real", "X1[0]", "X2", "pi*X1",
        "2X1", "pow(X1)", "sin X1", "sin(X1,2)", "(X1", "X1)", "X1;1", "lambda:1", "1e999999999x", "X1\nX1", "ｘ1", "²",
        "(" * 500 + "X1" + ")" * 500, "-" * 500 + "X1", "2^" * 500 + "2", "X1+" * 2000 + "1",
        "sin(" * 90 + "1" + ")" * 90,
    ],
)  # fmt: skip
def test_anything_else_is_refused_in_words(formula):
    with pytest.raises(RuleError, match=r"formula"):
        evaluate_formula(formula, np.array([1.0]))


def test_the_reader_has_no_evaluator_and_starts_nothing():
    import subprocess
    import sys

    tried = """
import subprocess, sys
from tunelab.log.read import mdf_load
mdf_load._take_evaluators_away()
from asammdf.blocks import v2_v3_blocks, v4_blocks
sys.addaudithook(mdf_load._refuse_to_act)
for call in (lambda: v4_blocks.evaluate("1"), lambda: v2_v3_blocks.evaluate("1"), lambda: subprocess.run(["true"])):
    try:
        call()
    except RuntimeError:
        print("refused")
print(v4_blocks.lambdify, v2_v3_blocks.lambdify)
"""
    ran = subprocess.run([sys.executable, "-c", tried], capture_output=True, text=True, check=True)
    assert ran.stdout.split() == ["refused"] * 3 + ["None"] * 2
