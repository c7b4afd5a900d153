"""The sample impressions of an invented laboratory, as recipes."""

from dataclasses import dataclass, replace

from tests.corpus.case import Case
from tests.corpus.dentition import Row
from tests.corpus.impression import Rim, Shell
from tests.corpus.jaw import Ridge
from tests.corpus.scanning import Hole, Pose
from tests.corpus.surface import Fine

FULL = tuple(place for place in range(-7, 8) if place)
UPPER = Row(jaw="upper", positions=FULL, tips_mm=23.5)
LOWER = Row(jaw="lower", positions=FULL, tips_mm=24.5)
TEETH = Fine(low=(-32.0, -8.0, -25.0), high=(32.0, 44.0, -12.0), pitch_mm=0.55)
UPPER_RIDGE = Ridge(outer_mm=(10.2, 9.4, 8.0, 6.4, 5.3), back_mm=-17.0)
LOWER_RIDGE = Ridge(
    outer_mm=(12.0, 11.2, 9.6, 7.5, 5.9),
    inner_mm=(10.8, 10.1, 9.0, 7.4, 5.9),
    from_mm=-64.0,
    to_mm=64.0,
)
TOOTHLESS = Ridge(
    heights_mm=(0.0, 3.5, 7.0, 11.0, 15.0, 18.0),
    outer_mm=(8.2, 6.3, 5.6, 7.4, 6.8, 5.0),
    inner_mm=(8.6, 8.0, 7.6, 7.2, 6.6, 5.2),
    top_mm=18.5,
    back_mm=-13.0,
    broader_mm=2.2,
    front_mm=0.4,
    round_mm=10.0,
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sample:
    """A sample: its recipe and what is said about it."""

    case: Case  # the recipe
    jaw: str  # "upper", "lower" or "quadrant"
    file_kind: str  # one of `tests.corpus.files.FORMATS`
    about: str  # what the case is, in a few words
    defect: str | None = None  # what is wrong with the impression or its scan


SAMPLES: tuple[Sample, ...] = (
    Sample(
        case=Case(
            name="b0417-upper-full-arch",
            seed=417,
            row=UPPER,
            ridge=UPPER_RIDGE,
            pitch_mm=0.78,
            fine=TEETH,
            pose=Pose(turns_deg=(2.0, -3.0, 14.0), shift_mm=(12.5, -31.0, 44.0)),
        ),
        jaw="upper",
        file_kind="stl",
        about="full upper arch, fourteen teeth",
    ),
    Sample(
        case=Case(
            name="b0418-lower-full-arch",
            seed=418,
            row=LOWER,
            ridge=LOWER_RIDGE,
            pitch_mm=0.66,
            fine=replace(TEETH, pitch_mm=0.50),
            pose=Pose(turns_deg=(0.0, 0.0, -95.0), shift_mm=(-60.0, 18.0, 0.0)),
        ),
        jaw="lower",
        file_kind="ply-little",
        about="full lower arch of the same case",
    ),
    Sample(
        case=Case(
            name="b0422-lower-left-quadrant",
            seed=422,
            row=Row(jaw="lower", positions=(3, 4, 5, 6, 7), tips_mm=23.0),
            ridge=replace(LOWER_RIDGE, from_mm=5.0, to_mm=60.0),
            pitch_mm=0.86,
            fine=Fine(low=(-99.0, -99.0, -99.0), high=(99.0, 99.0, -11.0), pitch_mm=0.71),
            pose=Pose(turns_deg=(4.0, 6.0, 160.0), shift_mm=(8.0, 3.0, -12.0)),
        ),
        jaw="quadrant",
        file_kind="stl-ascii",
        about="lower left quadrant, canine to second molar",
    ),
    Sample(
        case=Case(
            name="b0425-upper-six-prepared",
            seed=425,
            row=replace(UPPER, prepared=(-3, -2, -1, 1, 2, 3)),
            ridge=UPPER_RIDGE,
            pitch_mm=0.74,
            fine=Fine(low=(-20.0, 21.0, -25.0), high=(20.0, 42.0, -11.5), pitch_mm=0.34),
            pose=Pose(turns_deg=(-5.0, 2.0, 178.0), shift_mm=(0.0, 70.0, 9.0)),
        ),
        jaw="upper",
        file_kind="ply-little",
        about="upper arch, six front teeth prepared for crowns",
    ),
    Sample(
        case=Case(
            name="b0431-upper-toothless-undercut",
            seed=431,
            row=Row(jaw="upper", positions=(), tips_mm=19.5),
            ridge=TOOTHLESS,
            pitch_mm=0.7,
            pose=Pose(turns_deg=(8.0, -4.0, 33.0), shift_mm=(-22.0, 5.0, 120.0)),
        ),
        jaw="upper",
        file_kind="ply-big",
        about="toothless upper ridge, undercut all round the outside",
        defect="undercut",
    ),
    Sample(
        case=Case(
            name="b0436-lower-wavy-notch",
            seed=436,
            row=LOWER,
            ridge=LOWER_RIDGE,
            rim=Rim(wave_mm=0.8, notch_at_mm=-37.0),
            level_mm=-1.5,
            pitch_mm=0.74,
            fine=TEETH,
            pose=Pose(turns_deg=(-3.0, 3.0, 61.0), shift_mm=(31.0, 31.0, 5.0)),
        ),
        jaw="lower",
        file_kind="ply-little",
        about="lower arch, wavy rim, the outer flange torn beside the right molars",
        defect="notch",
    ),
    Sample(
        case=Case(
            name="b0439-lower-open-heel",
            seed=439,
            row=LOWER,
            ridge=LOWER_RIDGE,
            rim=Rim(open_back_mm=-10.5, open_side=1),
            pitch_mm=0.74,
            fine=TEETH,
            pose=Pose(turns_deg=(1.0, -2.0, -20.0), shift_mm=(4.0, -9.0, -30.0)),
        ),
        jaw="lower",
        file_kind="ply-little",
        about="lower arch, the left heel runs out at the tray's end",
        defect="open heel",
    ),
    Sample(
        case=Case(
            name="b0442-upper-odd-angle",
            seed=442,
            row=UPPER,
            ridge=UPPER_RIDGE,
            pitch_mm=0.74,
            fine=TEETH,
            pose=Pose(turns_deg=(118.0, -37.0, 71.0), shift_mm=(-45.0, 88.0, 15.0)),
        ),
        jaw="upper",
        file_kind="ply-little",
        about="full upper arch, scanned lying on its side",
    ),
    Sample(
        case=Case(
            name="b0447-lower-closed",
            seed=447,
            row=replace(LOWER, prepared=(-6,)),
            ridge=LOWER_RIDGE,
            shell=Shell(floor_mm=29.0),
            pitch_mm=0.74,
            pose=Pose(turns_deg=(0.0, 0.0, 45.0), shift_mm=(100.0, 100.0, 0.0)),
        ),
        jaw="lower",
        file_kind="ply-little",
        about="lower arch, one molar prepared, closed with the tray's outside",
    ),
    Sample(
        case=Case(
            name="b0450-upper-closed-handle",
            seed=450,
            row=UPPER,
            ridge=UPPER_RIDGE,
            shell=Shell(floor_mm=28.0, handle=True),
            pitch_mm=0.78,
            pose=Pose(turns_deg=(-12.0, 9.0, -140.0), shift_mm=(0.0, 0.0, 35.0)),
        ),
        jaw="upper",
        file_kind="ply-big",
        about="full upper arch, closed with the tray's outside and a stub handle",
    ),
    Sample(
        case=Case(
            name="b0453-lower-with-holes",
            seed=453,
            row=LOWER,
            ridge=LOWER_RIDGE,
            pitch_mm=0.74,
            fine=TEETH,
            holes=(
                Hole(near=(-13.0, 29.5, -24.0), across_mm=2.2),
                Hole(near=(25.0, 9.5, -26.0), across_mm=3.2),
                Hole(near=(-25.5, 0.5, -26.0), across_mm=2.8),
            ),
            pose=Pose(turns_deg=(3.0, 5.0, 100.0), shift_mm=(15.0, -15.0, 15.0)),
        ),
        jaw="lower",
        file_kind="ply-little",
        about="full lower arch, three deep pits not seen by the scanner",
        defect="holes",
    ),
    Sample(
        case=Case(
            name="b0458-lower-right-quadrant-prepared",
            seed=458,
            row=Row(jaw="lower", positions=(-3, -4, -6, -7), prepared=(-4, -6), tips_mm=22.0),
            ridge=replace(LOWER_RIDGE, from_mm=-60.0, to_mm=-6.0),
            pitch_mm=0.72,
            fine=Fine(low=(-99.0, -99.0, -22.5), high=(99.0, 99.0, -11.5), pitch_mm=0.44),
            pose=Pose(turns_deg=(-2.0, 14.0, -75.0), shift_mm=(-8.0, 0.0, 21.0)),
        ),
        jaw="quadrant",
        file_kind="ply-ascii",
        about="lower right quadrant, two teeth prepared for a bridge over the gap between",
    ),
)
