"""One-way random effects against NIST's certified values and against made-up drivers."""

import re
from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from tunelab.study.launch import contrast, one_way

# NIST Statistical Reference Datasets, analysis of variance, as the scipy wheel carries them.
NIST = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"
# Certified digits that plain double precision can hold: the offset of the harder sets costs the rest.
CASES = [("SiRstv", 1e-9), ("AtmWtAg", 1e-7), ("SmLs01", 1e-9), ("SmLs04", 1e-8), ("SmLs05", 1e-8), ("SmLs07", 1e-2)]


def nist(name: str) -> tuple[dict[str, list[float]], dict[str, float]]:
    text = (NIST / f"{name}.dat").read_text().splitlines()
    certified = [line for line in text if re.match(r"\s*(Between|Within)", line)]
    between, within = (
        [float(v) for v in re.findall(r"[-+]?\d+\.\d+E[-+]\d+|\d+\.\d+|\d+", line)] for line in certified[:2]
    )
    groups: dict[str, list[float]] = {}
    for line in text[60:]:
        if len(parts := line.split()) == 2:
            groups.setdefault(parts[0], []).append(float(parts[1]))
    return groups, {"between_square": between[2], "f": between[3], "within_square": within[2]}


@pytest.mark.parametrize(("name", "tolerance"), CASES)
def test_analysis_of_variance_matches_nist(name, tolerance):
    if not (NIST / f"{name}.dat").exists():
        pytest.skip("this scipy was installed without its test data, so NIST's values were NOT checked")
    groups, certified = nist(name)
    found = one_way(groups)
    for key, value in certified.items():
        assert getattr(found, key) == pytest.approx(value, rel=tolerance), key


def test_f_and_its_chance_agree_with_scipy():
    rng = np.random.default_rng(4)
    groups = {"a": rng.normal(5, 1, 6), "b": rng.normal(6, 1, 9), "c": rng.normal(5.5, 1, 4)}
    found = one_way(groups)
    other = scipy.stats.f_oneway(*groups.values())
    assert found.f == pytest.approx(other.statistic)
    assert found.p == pytest.approx(other.pvalue)


def drivers(rng: np.random.Generator, count: int, repeats: int, *, between: float, within: float):
    return {f"driver {k}": rng.normal(5.0 + rng.normal(0, between), within, repeats) for k in range(count)}


@pytest.mark.parametrize(("count", "between"), [(2, 0.15), (5, 0.15), (5, 0.0)])
def test_intervals_of_the_spreads_cover(count, between):
    rng = np.random.default_rng(9)
    fits = [one_way(drivers(rng, count, 6, between=between, within=0.1)) for _ in range(300)]
    within = np.mean([f.within_lower <= 0.1 <= f.within_upper for f in fits])
    across = np.mean([f.between_lower <= between <= f.between_upper for f in fits])
    assert 0.92 <= within <= 0.98
    assert 0.92 <= across <= 1.0


def test_the_difference_between_two_drivers_is_covered_and_said():
    rng = np.random.default_rng(11)
    found = [
        contrast({"a": rng.normal(5.2, 0.08, 6), "b": rng.normal(5.0, 0.2, 6)}, "time", "s")[0] for _ in range(300)
    ]
    assert 0.92 <= np.mean([c.lower <= 0.2 <= c.upper for c in found]) <= 0.98
    clear = contrast({"a": [5.0, 5.1, 5.05, 4.95], "b": [6.0, 6.1, 5.9, 6.05]}, "time", "s")[0]
    assert "differ by" in clear.sentence
    alike = contrast({"a": [5.0, 5.4, 5.1, 4.7], "b": [5.1, 5.3, 4.8, 5.0]}, "time", "s")[0]
    assert "no difference shown" in alike.sentence


def test_one_driver_or_single_runs_are_refused():
    with pytest.raises(ValueError, match="two are wanted"):
        one_way({"a": [1.0, 2.0, 3.0], "b": [2.0]})
    assert contrast({"a": [1.0, 2.0, 3.0], "b": [np.nan, 2.0]}, "time", "s") == []
