"""Cells of the tables."""

from __future__ import annotations

import pytest

from roomplan.show.tables import decay_range, figure


@pytest.mark.parametrize(
    ("range_db", "shown"), [(24.99, "24"), (25.0, "25"), (44.6, "44"), (0.4, "0"), (None, "–")]
)
def test_a_decay_range_is_never_rounded_up_to_what_a_figure_needs(range_db, shown):
    assert decay_range(range_db) == shown


@pytest.mark.parametrize(
    ("value", "shown"), [(-0.004, "0.00"), (-0.006, "−0.01"), (0.0, "0.00"), (1.005, "1.00"), (None, "–")]
)
def test_a_figure_that_rounds_to_zero_has_no_minus(value, shown):
    assert figure(value) == shown
