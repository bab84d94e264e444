"""A result shows its table, why anything is missing, and never more rows than a screen takes."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tunelab.study.finding import ROWS, shows_its_table


@shows_its_table
@dataclass(frozen=True)
class Found:
    values: np.ndarray
    because: str = ""

    def summary(self):
        return pd.DataFrame({"value": self.values})


def test_a_result_shows_its_table_and_why_something_is_missing():
    found = Found(np.array([1.5, np.nan]), because="too few holds & <none> long")
    assert repr(found).splitlines()[0] == "Found"
    assert "1.5" in repr(found)
    assert repr(found).endswith("too few holds & <none> long")
    assert "<p>too few holds &amp; &lt;none&gt; long</p>" in found._repr_html_()
    assert "<p>" not in Found(np.array([1.5]))._repr_html_()


def test_a_long_table_is_cut_and_says_so():
    found = Found(np.arange(1000.0))
    assert len(repr(found).splitlines()) <= ROWS + 6
    assert "..." in repr(found)
    assert found._repr_html_().count("<tr") <= ROWS + 3


def test_every_result_of_a_study_that_has_a_table_shows_it():
    """Whoever writes a new study is reminded here."""
    import importlib
    import pkgutil

    import tunelab.study

    silent = []
    for module in pkgutil.walk_packages(tunelab.study.__path__, "tunelab.study."):
        for kind in vars(importlib.import_module(module.name)).values():
            if isinstance(kind, type) and kind.__module__ == module.name and {"summary", "table"} & set(vars(kind)):
                silent += [] if "_repr_html_" in vars(kind) else [f"{module.name}.{kind.__name__}"]
    assert silent == []
