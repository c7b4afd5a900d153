"""Results as the pipeline would hand them over, made up; no figure here is a measured one."""

from tests.flat import mix
from volest.cavity.trim import Stretch, Trim, Work
from volest.notes import Note
from volest.result import MEASURED, NOTED, REFUSED, BaseLine, Result

HEEL = Note(
    "needs-boxing",
    lengths_mm=(12.3,),
    lows_mm=(4.1,),
    first_hours=(6,),
    last_hours=(6,),
    heap_mm=2.0,
)
DIFFER = Note("ways-differ", columns_ml=52.3, exact_ml=52.1)
SMALL = Note("bowl-underfilled", each_ml=23.0, least_ml=40.0, bowl="wide", way="vacuum", instead=())
RIM = BaseLine(point_mm=(1.0, 2.0, 3.0), normal=(0.0, 0.0, 1.0), how="rim")
TRIM = Trim(
    rim_highest_mm=1.2,
    rim_mean_mm=0.4,
    rim_lowest_mm=-0.3,
    excess_length_mm=61.0,
    gap_length_mm=8.0,
    stand_off_mm=1.1,
    to_pits_mm=4.5,
    stretches=(
        Stretch(hour=12, length_mm=21.0, mean_mm=0.7, most_mm=1.2, least_mm=-0.3, to_pits_mm=4.5),
    ),
    works=(
        Work(
            what="cut",
            hours=(11, 12),
            is_inner=False,
            length_mm=21.0,
            most_mm=1.2,
            to_pits_mm=4.5,
        ),
    ),
    left_over_mm=0.8,
    left_under_mm=0.3,
)


def measured(scan: str, volume_ml: float = 52.31, notes: tuple[Note, ...] = ()) -> Result:
    """Make up a scan that was measured."""
    return Result(
        scan=scan,
        outcome=NOTED if notes else MEASURED,
        seconds=0.75,
        volume_ml=volume_ml,
        volume_low_ml=volume_ml * 0.975,
        volume_high_ml=volume_ml * 1.025,
        base_line=RIM,
        footprint_mm2=2640.5,
        slope_ml_per_mm=2.6,
        curve=((0.0, 50.0), (1.0, 52.3)),
        mix=mix(volume_ml),
        trim=TRIM,
        notes=notes,
    )


def refused(
    scan: str, reason: str = "found 0 bytes; needed a mesh; export the scan again"
) -> Result:
    """Make up a scan that was refused."""
    return Result(scan=scan, outcome=REFUSED, seconds=0.02, reason=reason)
