"""Spread and quantiles against reference libraries."""

import numpy as np
import pytest
import scipy.stats
from ebbmark_agent.evidence import Trace, spread
from ebbmark_agent.evidence.spread import median, quantile, slice_rates
from hypothesis import given
from hypothesis import strategies as st

rates = st.lists(st.floats(1.0, 1e9), min_size=1, max_size=60)


@given(rates, st.floats(0, 1))
def test_quantiles_are_those_of_a_reference_library(values, share):
    """A quantile is numpy's linear one (Hyndman and Fan 1996, definition 7)."""
    assert quantile(sorted(values), share) == pytest.approx(
        np.quantile(values, share, method="linear"), rel=1e-9
    )


@given(rates)
def test_the_median_is_that_of_a_reference_library(values):
    """The median is numpy's."""
    assert median(values) == pytest.approx(np.median(values))


@given(st.lists(st.integers(1, 10**6), min_size=12, max_size=40))
def test_the_robust_spread_is_that_of_a_reference_library(per_second):
    """The robust spread is scipy's scaled median absolute deviation over the median."""
    trace = Trace.from_points(
        range(len(per_second) + 1), np.concatenate([[0], np.cumsum(per_second)]).tolist()
    )

    found = spread(trace, 0, trace.duration_s)

    deviation = scipy.stats.median_abs_deviation(per_second, scale=1 / 1.4826)
    assert found.slice_s == 1
    assert found.robust_share == pytest.approx(deviation / np.median(per_second))
    assert dict(found.quantiles)[0.1] == pytest.approx(np.quantile(per_second, 0.1))
    assert dict(found.quantiles)[0.0] == pytest.approx(min(per_second))


def test_a_short_trace_is_cut_finer():
    """A stretch below ten seconds has ten slices."""
    trace = Trace.from_points([0, 1, 2], [0, 100, 200])

    found = spread(trace, 0, 2)

    assert found.slice_s == pytest.approx(0.2)
    assert found.robust_share == pytest.approx(0, abs=1e-9)


def test_no_rate_has_no_spread():
    """Where nothing was written the spread is unknown, not zero."""
    assert spread(Trace.from_points([0, 100], [0, 0]), 0, 100).robust_share is None


def test_a_rest_shorter_than_a_slice_is_left_out_at_the_begin():
    """Slices end with the stretch."""
    trace = Trace.from_points([0, 0.5, 1.5, 2.5], [0, 999, 1009, 1029])

    assert slice_rates(trace, 0, 2.5, 1) == pytest.approx([10, 20])
