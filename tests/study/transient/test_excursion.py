"""How the cause of an excursion is named, on parts laid down by hand."""

from __future__ import annotations

import numpy as np
import pytest

from tunelab.study.transient.excursion import AFTER_LEVEL_S, NOT_EXPLAINED, Parts, _level

WHOLE = slice(0, 4)


def parts(film: float, enrichment: float, metering: float) -> Parts:
    """The same departure at four readings."""
    return Parts(*(np.full(4, value) for value in (film, enrichment, metering)))


@pytest.mark.parametrize(("values", "size", "cause"), [
    ((0.10, 0.00, 0.01), 0.11, "film"),
    ((0.01, -0.12, -0.02), -0.13, "enrichment"),
    ((-0.02, 0.01, 0.10), 0.10, "metering"),
    ((0.06, 0.00, 0.055), 0.11, "film and metering"),  # neither can be told to be the greater
    ((0.06, -0.01, 0.04), 0.10, "film"),
    ((0.02, 0.01, 0.01), 0.11, NOT_EXPLAINED),  # the model makes a third of it
    ((0.00, 0.00, 0.00), -0.05, NOT_EXPLAINED),
    ((-0.10, 0.00, 0.12), 0.06, "metering"),  # parts that nearly cancel: 0.04 short of 0.22
    ((-0.02, 0.00, 0.03), 0.06, NOT_EXPLAINED),
    ((-0.10, 0.00, 0.02), 0.06, NOT_EXPLAINED),  # the model departs the other way
])  # fmt: skip
def test_the_part_that_makes_most_of_an_excursion_is_named(values, size, cause):
    assert parts(*values).cause(WHOLE, size) == cause


def test_a_level_that_moves_with_the_air_is_no_excursion():
    clock = np.arange(-0.8, 2.5, 0.04)
    share = np.clip(clock / 0.3, 0.0, 1.0)
    bump = 0.1 * np.exp(-(((clock - 0.4) / 0.15) ** 2))
    off = 0.02 - 0.15 * share + bump
    assert np.allclose(off - _level(clock, off, 0.0, share), bump, atol=0.002)


def test_where_the_next_event_comes_soon_what_the_film_still_does_is_no_level():
    clock = np.arange(-0.8, 1.2, 0.04)
    assert clock[-1] < AFTER_LEVEL_S
    share = np.clip(clock / 0.1, 0.0, 1.0)
    film = np.where(clock > 0.0, 0.12 * np.exp(-np.maximum(clock, 0.0) / 0.8), 0.0)
    off = -0.05 + 0.06 * share + film
    assert np.allclose(off - _level(clock, off, film, share), film, atol=0.002)
