"""JSON: the contract, held against its schema by a validator nobody here wrote."""

import json
import math
import os
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from tests.report.invented import DIFFER, HEEL, TRIM, measured, refused
from volest import __version__
from volest.report.record import COLUMNS, as_text, document, schema
from volest.result import Result
from volest.settings import Settings, parse_base

# The keys that programs rely on, written here once more and not read from the code.
SCAN_KEYS = [
    "scan",
    "cavity",
    "outcome",
    "volume_ml",
    "volume_low_ml",
    "volume_high_ml",
    "base_line",
    "footprint_mm2",
    "rim_mm2",
    "depth_mm",
    "base_areas",
    "slope_ml_per_mm",
    "curve",
    "reserve_ml",
    "mix",
    "second_pour",
    "trim",
    "notes",
    "reason",
    "seconds",
]
MIX_KEYS = ["stone", "powder_g", "water_ml", "scoops", "mixes", "full_scoops", "rest_g", "way"]
MIX_KEYS += ["bowl", "waste_ml", "mix_ml", "volume_u_ml", "terms_ml", "by_scoop", "unrounded"]

ALL_KINDS = [
    measured("a.stl"),
    measured("b.ply", 113.0, (HEEL, DIFFER)),
    refused("c.stl"),
    replace(measured("d.stl"), second_pour=measured("d.stl").mix),
]


def validate(record: dict[str, Any]) -> None:
    kind = jsonschema.Draft202012Validator
    kind.check_schema(schema())
    kind(schema()).validate(record)


def test_every_outcome_fits_the_schema() -> None:
    validate(json.loads(as_text(document(ALL_KINDS, Settings(base=parse_base("depth=12"))))))


def test_no_scan_at_all_fits_the_schema() -> None:
    validate(document([], Settings()))


def test_keys_are_those_of_the_contract() -> None:
    whole = document(ALL_KINDS, Settings())
    assert list(whole) == ["volest", "settings", "scans"]
    assert whole["volest"] == __version__
    for scan in whole["scans"]:
        assert list(scan) == SCAN_KEYS
    assert list(whole["scans"][0]["mix"]) == MIX_KEYS
    assert list(whole["scans"][0]["base_line"]) == ["point_mm", "normal", "how"]
    assert list(whole["scans"][1]["notes"][0]) == ["code", "text", "do", "values"]


def test_every_field_of_a_result_is_written() -> None:
    assert sorted(field.name for field in fields(Result)) == sorted(
        [*SCAN_KEYS, "code", "cavities", "others", "refusal"]
    )


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf, np.float32("nan")])
def test_what_is_not_finite_becomes_null(number: float) -> None:
    result = replace(measured("a.stl"), slope_ml_per_mm=number, curve=((0.0, number),))
    scan = json.loads(as_text(document([result], Settings())))["scans"][0]
    assert scan["slope_ml_per_mm"] is None
    assert scan["curve"] == [[0.0, None]]


def test_numpy_numbers_are_written_as_numbers() -> None:
    record = {"a": np.float64(1.5), "b": np.float32(2.0), "c": np.int64(3), "d": True}
    assert json.loads(as_text(record)) == {"a": 1.5, "b": 2.0, "c": 3, "d": True}


def test_a_measured_scan_without_a_volume_breaks_the_contract() -> None:
    with pytest.raises(jsonschema.ValidationError):
        validate(document([replace(measured("a.stl"), volume_ml=math.nan)], Settings()))


def test_a_path_comes_back_byte_for_byte() -> None:
    path = b"caf\xe9 \xe4\xb8\x8a\n.stl"
    text = as_text(document([refused(os.fsdecode(path))], Settings()))
    assert text.isascii()
    (scan,) = json.loads(text)["scans"]
    assert bytes.fromhex(scan["scan_bytes"]) == path
    scan["scan"].encode()  # so that any program can hold it
    assert "\\x" in scan["scan"]


def test_what_json_does_not_know_is_refused() -> None:
    with pytest.raises(TypeError, match="object"):
        as_text({"thing": object()})


def test_page_names_every_key_and_column() -> None:
    page = (Path(__file__).parents[2] / "docs" / "reference" / "json.md").read_text(
        encoding="utf-8"
    )
    trim = [field.name for field in fields(TRIM)]
    for name in (*SCAN_KEYS, *MIX_KEYS, *trim, *Settings().as_record(), *COLUMNS):
        assert name == "plane" or f"`{name}`" in page
