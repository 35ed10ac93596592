"""Channels that stood still while what they follow moved, and those that may stand still.

A line follows the saturation temperature of its pressure (textbook); a live sensor of a fine
display flickers by its noise (common practice, no source). Logs are made here.
"""

from __future__ import annotations

import numpy as np
import pytest

from features.left_behind import Leader, in_kelvin, left_behind

N = 600
RUN = np.array([[200, N]])


def judged(values, leader_k, *, is_pressure=False, running=None):
    works = np.ones(N, dtype=bool) if running is None else running
    return left_behind(values, RUN, Leader(leader_k, is_pressure).part(slice(0, N), works))


def frozen(level, noise, step, seed=1):
    """Readings that flicker on a display, and stand still from the 200th on."""
    values = np.round((level + noise * np.random.default_rng(seed).normal(size=N)) / step) * step
    values[200:] = values[200]
    return values


def drift(by):
    return np.concatenate((np.zeros(200), np.linspace(0.0, by, N - 200)))


@pytest.mark.parametrize(("moved_k", "is_told"), [(0.5, False), (2.0, True), (20.0, True)])
def test_a_flickering_line_that_stands_still_while_its_pressure_moves(moved_k, is_told):
    found = [bool(judged(frozen(45.0, 0.08, 0.1, s), drift(moved_k))) for s in range(20)]
    assert sum(found) == (20 if is_told else 0), f"{sum(found)} of 20"


@pytest.mark.parametrize(("moved_k", "is_told"), [(2.0, False), (20.0, True)])
def test_a_quiet_line_needs_a_leader_that_moves_far(moved_k, is_told):
    values = np.concatenate((np.linspace(30.0, 45.0, 200).round(1), np.full(N - 200, 45.0)))
    assert bool(judged(values, drift(moved_k))) is is_told


def test_a_coarse_display_hides_how_far_a_line_follows():
    assert judged(frozen(45.0, 1.0, 1.0), drift(20.0)) == []


def test_a_line_that_froze_at_rest_is_told_by_the_start():
    running = np.arange(N) >= 250
    leader_k = np.where(running, -12.0, 0.0)
    assert judged(frozen(26.0, 0.02, 0.1), leader_k, running=running) == [(200, N)]
    assert judged(frozen(26.0, 0.02, 0.1), np.zeros(N), running=running) == []


def test_a_gauge_is_held_against_its_line_even_where_no_pressure_tells_work():
    never = np.zeros(N, dtype=bool)
    assert judged(frozen(602.0, 1.0, 0.7), drift(15.0), is_pressure=True, running=never)
    assert not judged(frozen(602.0, 1.0, 0.7), drift(0.5), is_pressure=True, running=never)


def test_a_kelvin_of_saturation():
    # R-134a: 349.9 kPa at 5, 414.6 at 10 degC (printed table, from memory)
    assert np.diff(in_kelvin(np.array([349.9, 414.6])))[0] == pytest.approx(5.0, abs=0.2)
    assert np.isnan(in_kelvin(np.array([0.0]))[0])
