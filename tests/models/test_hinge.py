"""The hinge on cases worked by hand: sharp data must give back the hinge they were made by."""

from __future__ import annotations

import numpy as np
import pytest

from models.hinge import HingeVisits, hinge_laws
from models.leak_priors import PUBLISHED


def visits(times, subcooling, *, healthy=9.0, noise=0.3, limit=3.0, full_before=0.0, between=0.3):
    times = np.array([times], dtype=float)
    values = np.array([subcooling], dtype=float) - healthy
    return HingeVisits(
        times=times,
        deviations=values,
        floors=np.full_like(values, -healthy),
        noise=np.array([noise]),
        freedom=np.array([200.0]),
        between=np.array([between]),
        limit=np.array([limit]),
        full_before=np.array([full_before]),
    )


def at(law, share):
    return float(law.quantile(share)[0])


# Worked by hand: 9 K until t = 1 a, then 4 K a year: 9, 9, 9, 9, 8, 7, 6, 5 at half years' steps
# of a quarter from 0.25 on; the band of 3 K ends at 9 - 4 (t - 1) = 6, t = 1.75 a.
TIMES = [0.0, 0.25, 0.5, 1.0, 1.25, 1.5, 1.75, 2.0]
HINGE = [9.0, 9.0, 9.0, 9.0, 8.0, 7.0, 6.0, 5.0]


def test_the_hinge_worked_by_hand_is_found():
    laws = hinge_laws(visits(TIMES, HINGE), PUBLISHED)
    assert laws.start[0] + at(laws.exhausted, 0.5) == pytest.approx(1.0, abs=0.1)
    assert laws.start[0] + at(laws.crossing, 0.5) == pytest.approx(1.75, abs=0.08)
    assert at(laws.crossing, 0.05) < 1.75 < at(laws.crossing, 0.95)
    assert laws.decline_probability[0] > 0.99


def test_the_future_crossing_is_on_the_line_that_has_begun():
    # 8, 7 after 9 until one year: still 1 K inside the band, so one quarter ahead
    laws = hinge_laws(visits(TIMES[:6], HINGE[:6], noise=0.15), PUBLISHED)
    assert at(laws.crossing, 0.5) == pytest.approx(1.75, abs=0.15)
    assert at(laws.crossing, 0.95) > 1.8


def test_visits_at_no_subcooling_do_not_flatten_the_fall():
    # 16 K a year from 1 a on: zero at 1.5625 a, where it stays
    fallen = [9.0, 9.0, 9.0, 9.0, 5.0, 1.0, 0.0, 0.0]
    laws = hinge_laws(visits(TIMES, fallen, limit=3.0), PUBLISHED)
    assert at(laws.crossing, 0.5) == pytest.approx(1.1875, abs=0.06)


def test_flat_visits_give_an_open_outlook_and_no_decline():
    laws = hinge_laws(visits(TIMES, [9.0] * 8), PUBLISHED)
    assert laws.decline_probability[0] < 0.05
    assert at(laws.crossing, 0.1) > 2.0
    # a reserve lasting decades lies in it
    assert at(laws.crossing, 0.95) > 12.0


def test_a_band_below_no_subcooling_is_never_left():
    laws = hinge_laws(visits(TIMES, [2.0] * 8, healthy=2.0, limit=3.0), PUBLISHED)
    assert at(laws.crossing, 0.05) == np.inf


def test_one_low_reading_is_no_decline():
    once = [9.0, 9.0, 9.0, 9.0, 9.0, 9.0, 9.0, 7.6]
    laws = hinge_laws(visits(TIMES, once, noise=1.0), PUBLISHED)
    assert laws.decline_probability[0] < 0.95


def test_cars_do_not_influence_each_other():
    one = visits(TIMES, HINGE)
    many = HingeVisits(*(np.repeat(getattr(one, name), 70, axis=0) for name in vars(one)))
    laws = hinge_laws(many, PUBLISHED)
    alone = hinge_laws(one, PUBLISHED)
    assert np.all(laws.crossing.quantile(0.5) == alone.crossing.quantile(0.5)[0])
