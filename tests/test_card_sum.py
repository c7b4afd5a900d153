"""One card's mix as a sum: each term recomputed from the JSON that `size` writes, and nothing else.

The quantiles are those of scipy.stats; the formulas stand on docs/explanation/mix.md.
"""

import json
import math
from pathlib import Path
from typing import Any

import pytest
from scipy import stats

from volest import measure
from volest.api import settings_for
from volest.lab import PRIOR_POURS
from volest.report.record import as_text, document

ROOT = Path(__file__).parents[1]
SAMPLE = ROOT / "sample_meshes" / "b0425-upper-six-prepared.ply"
PAGE = ROOT / "docs" / "explanation" / "mix.md"
G_PER_ML, WP = 2.76, 0.2  # die stone: docs/reference/stones.md


def written(**options: Any) -> dict[str, Any]:
    text = as_text(document([measure(SAMPLE, **options)], settings_for(**options)))
    record: dict[str, Any] = json.loads(text)
    return record


def terms(record: dict[str, Any], scan: dict[str, Any]) -> dict[str, float]:
    """Work out the terms of a first pour that nothing was learned for."""
    lab = record["settings"]["lab"]
    way = lab["way"][record["settings"]["way"]]
    second, risk = lab["second_pour"], lab["risk_percent"] / 100.0
    heap_mm = max(lab["first_pour"]["heap_mm"] - max(scan["trim"]["over_rim_mm"], 0.0), 0.0)
    ball_ml = math.pi / 6.0 * second["nodule_mm"] ** 3 / 1000.0
    found = {
        "cavity": scan["volume_ml"],
        "heap": scan["rim_mm2"] * heap_mm / 1000.0,
        "nodules": second["nodules"] * ball_ml if scan["second_pour"] else 0.0,
    }
    filled_ml = sum(found.values())
    found["share"] = filled_ml * record["settings"]["waste_percent"] / 100.0
    found["residue"] = record["settings"]["residue_ml"]
    v = filled_ml / 50.0
    scatter_ml = way["scatter_ml"] * math.sqrt(v + (1.0 + v * v) / PRIOR_POURS)
    above_ml = scan["volume_high_ml"] - scan["volume_ml"]
    u_ml = math.sqrt(above_ml**2 - scan["reserve_ml"] ** 2) / 2.0
    found["reserve"] = math.hypot(
        stats.t.ppf(1.0 - risk, PRIOR_POURS) * scatter_ml,
        stats.norm.ppf(1.0 - risk) * u_ml,
        scan["reserve_ml"],
    )
    return found


@pytest.mark.parametrize("options", [{}, {"second_pour_mm": 12.7}, {"heap_mm": 0.0}])
def test_a_mix_is_the_sum_of_terms_that_the_json_tells(options: dict[str, Any]) -> None:
    record = written(**options)
    (scan,) = record["scans"]
    told = scan["mix"]["terms_ml"]
    expected = terms(record, scan)
    for name, ml in expected.items():
        assert told[name] == pytest.approx(ml, abs=2e-6), name
    needed_ml = sum(expected.values())
    assert told["rounding"] == pytest.approx(scan["mix"]["mix_ml"] - needed_ml, abs=1e-5)
    # Rounded up to a gram, and never short: ideal mixing of 2.76 g/cm3 and 20 mL per 100 g.
    powder_g = math.ceil(needed_ml / (1.0 / G_PER_ML + WP))
    assert scan["mix"]["powder_g"] == powder_g
    assert scan["mix"]["water_ml"] == pytest.approx(round(powder_g * WP, 1))


def test_the_page_shows_every_term_of_one_card() -> None:
    record = written()
    (scan,) = record["scans"]
    made, page = scan["mix"], PAGE.read_text(encoding="utf-8")
    for name, ml in made["terms_ml"].items():
        if name != "nodules":  # this cast has no base
            assert f"| {name} | {ml:.2f} |" in page
    assert f"| together | {made['mix_ml']:.2f} |" in page
    assert f"{made['powder_g']:g} g of powder, {made['water_ml']:g} mL of water" in page


def test_an_arch_with_six_preparations_takes_what_the_trade_takes() -> None:
    # Common practice, no source: 150 g, three scoops, to 30 mL for such an arch.
    (scan,) = written()["scans"]
    assert 120.0 <= scan["mix"]["powder_g"] <= 150.0
    assert (scan["mix"]["by_scoop"]["scoops"], scan["mix"]["by_scoop"]["water_ml"]) == (3, 30.0)
