"""Simulated shops with a known truth: who lies outside, how often, and who is named.

The short form runs by default; `pytest -m slow -s tests/models/test_shops.py` has thousands
of shops and prints the shares.
"""

import numpy as np
import polars as pl
import pytest
from scipy.stats import binom

from models.comparisons import compared
from models.measures import MEASURE
from models.repair_settings import RepairSettings
from models.repair_tables import PARTS, REPAIR_OUTCOMES, SHOPS
from models.shops import part_frame, shop_frame
from synthetic.shop_years import ShopOrder, simulate_shop_years

COUNTED = ("comebacks", "not_back_in_band")
SETTINGS = RepairSettings()


def _compared(order, seed, codes=COUNTED):
    years = simulate_shop_years(np.random.default_rng(seed), order)
    rows = years.repairs.with_columns(group="shop_id")
    found = compared(rows, [MEASURE[code] for code in codes], SETTINGS)
    return found.join(years.shops, left_on="group", right_on="shop_id"), years


def _outside(found, code, which=None):
    rows = found.filter(measure_code=code)
    rows = rows if which is None else rows.filter(which)
    n = rows["position_code"].str.starts_with("outside_998").sum()
    print(f"{code}: {n} of {rows.height} shops outside the 99.8 % limits")  # noqa: T201 - figures of the slow form
    return int(n), rows.height


def _most_by_chance(n, share):
    """What chance leaves out once in a thousand."""
    return int(binom.isf(0.001, n, share))


def _equal_shops(n_shops, seed):
    found, _ = _compared(ShopOrder(n_shops), seed)
    for code in COUNTED:
        n, of = _outside(found, code)
        # interpolated limits of this size leave out 0.2 to 0.26 % (test_funnel)
        assert binom.ppf(0.0005, of, 0.001) <= n <= _most_by_chance(of, 0.0026)
    assert not (found["verdict_code"] == "worse").any()


def test_of_equal_shops_about_two_in_a_thousand_lie_outside():
    _equal_shops(400, 1)


@pytest.mark.slow
def test_of_many_equal_shops_two_in_a_thousand_lie_outside():
    _equal_shops(4000, 2)


def _harder_cars(n_shops, seed):
    found, _ = _compared(ShopOrder(n_shops, hard_share=0.25), seed)
    for code in COUNTED:
        hard, of_hard = _outside(found, code, pl.col("hardness") > 0)
        assert hard <= _most_by_chance(of_hard, 0.0026)
        rows = found.filter(measure_code=code)
        raw = rows.group_by(pl.col("hardness") > 0).agg(
            share=pl.col("observed").sum() / pl.col("n_repairs").sum()
        )
        # the cars do fail more often, by the truth of the simulation
        assert (
            raw.filter("hardness")["share"][0] > 1.25 * raw.filter(~pl.col("hardness"))["share"][0]
        )


def test_a_shop_with_harder_cars_is_flagged_no_more_often():
    _harder_cars(400, 3)


@pytest.mark.slow
def test_many_shops_with_harder_cars_are_flagged_no_more_often():
    _harder_cars(8000, 4)


def _bad_shops(n_shops, seed):
    """Through the whole comparison: exact chance at each shop's own number and expectation."""
    order = ShopOrder(n_shops, 200, bad_share=0.02, tested_again_share=1.0)
    found, _ = _compared(order, seed, ("not_back_in_band",))
    bad = found.filter(pl.col("failure_ratio") == order.bad_ratio)
    n, expected = bad["n_repairs"].to_numpy(), bad["expected"].to_numpy()
    limit = np.floor(bad["high_998"].to_numpy() * expected)
    true_share = bad["observed"].sum() / bad["n_repairs"].sum()
    exact = float(binom.sf(limit, n, true_share).mean())
    seen, of = _outside(found, "not_back_in_band", pl.col("failure_ratio") == order.bad_ratio)
    print(f"exactly computed {exact:.3f}, seen {seen / of:.3f}")  # noqa: T201 - figures of the slow form
    assert seen / of == pytest.approx(exact, abs=3.3 * (exact * (1 - exact) / of) ** 0.5)


def test_bad_shops_lie_outside_as_often_as_the_binomial_says():
    _bad_shops(600, 15)


@pytest.mark.slow
def test_many_bad_shops_lie_outside_as_often_as_the_binomial_says():
    _bad_shops(4000, 5)


def test_bad_shops_are_named_and_others_are_not():
    found, _ = _compared(ShopOrder(150, 400, bad_share=0.03, bad_ratio=2.5), 6)
    worse = found.filter(verdict_code="worse")
    assert worse.height
    assert (worse["failure_ratio"] > 1).all()
    assert (worse["worse_probability"] >= SETTINGS.least_sure).all()


def _deviations(n_shops, seed, each=40):
    """What is left after repairs is skewed; equal shops lie outside no more often for it."""
    found, _ = _compared(ShopOrder(n_shops, each), seed, ("deviation_left",))
    n, of = _outside(found, "deviation_left")
    assert n <= _most_by_chance(of, 0.0026)


def test_averages_of_equal_shops_lie_outside_as_rarely():
    _deviations(500, 16)


@pytest.mark.slow
def test_averages_of_many_equal_shops_lie_outside_as_rarely():
    _deviations(6000, 17)


def test_the_reading_before_does_not_charge_a_shop_with_its_harder_cars():
    # 30,000 repairs: 2 % of the expected cases is a little above two standard errors
    found, _ = _compared(ShopOrder(300, 100, hard_share=0.5), 18, ("not_back_in_band",))
    hard = found.filter(pl.col("hardness") > 0)
    ratio = hard["observed"].sum() / hard["expected"].sum()
    assert ratio == pytest.approx(1.0, abs=3.0 / hard["expected"].sum() ** 0.5)


def _shuffled(n_shops, seed):
    years = simulate_shop_years(
        np.random.default_rng(seed), ShopOrder(n_shops, bad_share=0.1, spread_of_shops=0.3)
    )
    order = np.random.default_rng(seed + 1).permutation(years.repairs.height)
    rows = years.repairs.with_columns(group=years.repairs["shop_id"][order])
    found = compared(rows, [MEASURE[code] for code in COUNTED], SETTINGS)
    for code in COUNTED:
        n, of = _outside(found, code)
        assert n <= _most_by_chance(of, 0.0026)


def test_shuffled_labels_make_no_shop_stand_out():
    _shuffled(300, 7)


@pytest.mark.slow
def test_shuffled_labels_make_no_shop_stand_out_among_thousands():
    _shuffled(3000, 8)


def test_shops_that_do_differ_widen_the_limits_for_all():
    found, _ = _compared(ShopOrder(300, spread_of_shops=0.3), 9)
    for code in COUNTED:
        spread = found.filter(measure_code=code)["group_spread"][0]
        assert spread == pytest.approx(0.3, abs=0.09)


def test_what_strayed_far_strays_less_and_no_shop_gains_by_it():
    """All shops cure alike; one half gets cars that read far worse before by chance and truth.

    Their plain improvement is larger, the comparison at like deviations is not.
    """
    found, years = _compared(ShopOrder(60, 150, hard_share=0.5), 10, ("deviation_left",))
    rows = years.repairs.filter(comparison_code="comparable").join(years.shops, on="shop_id")
    gain = rows.group_by(pl.col("hardness") > 0).agg(
        gain=(pl.col("severity_before") - pl.col("severity_after")).mean()
    )
    plain = gain.filter("hardness")["gain"][0] - gain.filter(~pl.col("hardness"))["gain"][0]
    by_half = found.group_by(pl.col("hardness") > 0).agg(pl.col("value").mean())
    fair = by_half.filter("hardness")["value"][0] - by_half.filter(~pl.col("hardness"))["value"][0]
    assert plain > 0.5
    assert abs(fair) < 0.15 * plain


def test_too_little_evidence_is_named_by_nobody():
    found, _ = _compared(ShopOrder(40, 12, bad_share=0.1, bad_ratio=6.0), 11)
    assert set(found["verdict_code"]) == {"too_little"}


def test_few_shops_are_not_compared():
    found, _ = _compared(ShopOrder(4, 300), 12)
    assert set(found["verdict_code"]) == {"no_comparison"}


def test_the_order_of_rows_and_the_names_of_shops_change_nothing():
    years = simulate_shop_years(np.random.default_rng(13), ShopOrder(12, 60))
    rows = years.repairs.with_columns(group="shop_id")
    measures = [MEASURE[code] for code in (*COUNTED, "deviation_left")]
    one = compared(rows, measures, SETTINGS)
    other = compared(rows.sample(fraction=1.0, shuffle=True, seed=1), measures, SETTINGS)
    for name in ("value", "high_998", "shrunken_low"):
        assert other[name].to_list() == pytest.approx(one[name].to_list(), abs=1e-6)


def test_tables_of_nothing_are_empty():
    assert shop_frame(REPAIR_OUTCOMES.empty(), SETTINGS).schema == SHOPS.schema
    assert part_frame(REPAIR_OUTCOMES.empty(), SETTINGS).schema == PARTS.schema


def test_a_bad_lot_stands_out_among_lots():
    years = simulate_shop_years(
        np.random.default_rng(14), ShopOrder(20, 300, bad_share=0.05, bad_ratio=4.0)
    )
    fitted = years.repairs.select(
        "repair_id", "action", "is_last_of_visit", "followup_code", "followup_exposure",
        "exposure_code", "architecture", "age_years", "odometer_km",
        part_lot=pl.col("shop_id").str.replace("shop", "lot"), component=pl.lit("compressor"),
    )  # fmt: skip
    parts = part_frame(REPAIR_OUTCOMES.conform(fitted), SETTINGS)
    worse = parts.filter(verdict_code="worse")
    assert worse["dimension_value"].to_list() == ["lot_00000"]
    assert set(parts["dimension_code"]) == {"part_lot"}
