"""Results as the pipeline would hand them over, made up; no figure here is a measured one."""

from volest.cavity.trim import Stretch, Trim
from volest.notes import Note
from volest.result import MEASURED, NOTED, REFUSED, BaseLine, Result
from volest.stone.mix import mix

HEEL = Note(
    code="open-heel",
    text="The heel is open over 12.3 mm, up to 4.1 mm below the base line.",
    do="Box it with wax before the pour.",
)
DIFFER = Note(
    code="volumes-differ",
    text="Two ways to work out the volume differ by 0.4 %.",
    do="Look at the scan; scan again if its floor has holes.",
)
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
