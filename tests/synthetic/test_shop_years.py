import numpy as np
import polars as pl
import pytest

from synthetic.shop_years import ShopOrder, simulate_shop_years


def _years(seed=1, **order):
    return simulate_shop_years(np.random.default_rng(seed), ShopOrder(**order))


def test_the_same_seed_gives_the_same_years():
    assert _years(3, n_shops=5).repairs.equals(_years(3, n_shops=5).repairs)
    assert not _years(3, n_shops=5).repairs.equals(_years(4, n_shops=5).repairs)


def test_readings_before_overstate_what_is_wrong():
    years = _years(n_shops=100)
    both = years.repairs.join(years.true_repairs, on="repair_id")
    over = (both["severity_before"] - both["true_severity"]).mean()
    assert over > 0.05
    # and the worse the reading, the more: regression to the mean
    worst = both.filter(pl.col("severity_before") > pl.col("severity_before").quantile(0.9))
    assert (worst["severity_before"] - worst["true_severity"]).mean() > 1.5 * over


def test_shares_are_those_ordered():
    repairs = _years(n_shops=400).repairs
    failing = 1 - repairs["is_back_in_band"].drop_nulls().mean()
    assert failing == pytest.approx(0.08, abs=0.006)
    followed = repairs.filter(
        (pl.col("followup_exposure") >= 180) | (pl.col("followup_code") == "came_back")
    )
    assert followed.height
    assert set(repairs["followup_code"]) == {"came_back", "left", "still_followed"}


def test_bad_shops_fail_twice_as_often_and_hard_ones_get_older_cars():
    years = _years(n_shops=200, bad_share=0.2, hard_share=0.2)
    rows = years.repairs.join(years.shops, on="shop_id")
    share = rows.group_by(pl.col("failure_ratio") > 1).agg(
        (~pl.col("is_back_in_band")).mean().alias("s")
    )
    equal = rows.filter((pl.col("failure_ratio") == 1) & (pl.col("hardness") == 0))
    bad = share.filter("failure_ratio")["s"][0]
    assert bad / (~equal["is_back_in_band"]).mean() == pytest.approx(2.0, abs=0.25)
    age = rows.group_by(pl.col("hardness") > 0).agg(pl.col("age_years").mean())
    assert age.filter("hardness")["age_years"][0] > 6.0
