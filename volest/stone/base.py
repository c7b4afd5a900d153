"""The second pour: how much room the base under the first pour takes."""

import math

from volest.errors import MixError

_MM3_PER_ML = 1000.0
LEAST_HEIGHT_MM = 3.0  # thinner breaks when the cast is lifted out: 1.2 is meant in cm
MOST_HEIGHT_MM = 60.0
MOST_TAPER_DEG = 45.0


def base_volume_ml(footprint_mm2: float, height_mm: float, taper_deg: float = 0.0) -> float:
    """Give the volume of a base over a footprint.

    With straight sides ``footprint * height``. Sides that lean inwards make it a frustum; of all
    outlines with the same area a circle loses least to a taper (Brunn-Minkowski inequality), so
    the frustum of a cone over the same area is never too little:
    ``height / 3 * (a + sqrt(a * b) + b)``, ``b`` being the area at the far side (the frustum's
    formula as in any table of solids).
    """
    if not (footprint_mm2 > 0 and math.isfinite(footprint_mm2)):
        raise _no_base(f"a footprint of {footprint_mm2:g} mm2", "an area above 0 mm2")
    if not LEAST_HEIGHT_MM <= height_mm <= MOST_HEIGHT_MM:
        raise _no_base(
            f"a base of {height_mm:g} mm",
            f"{LEAST_HEIGHT_MM:g} to {MOST_HEIGHT_MM:g} mm, 12 say",
        )
    if not 0 <= taper_deg <= MOST_TAPER_DEG:
        raise _no_base(f"a taper of {taper_deg:g} degrees", f"0 to {MOST_TAPER_DEG:g} degrees")
    radius_mm = math.sqrt(footprint_mm2 / math.pi)
    far_mm = radius_mm - height_mm * math.tan(math.radians(taper_deg))
    if far_mm <= 0:
        raise _no_base(
            f"sides that meet before {height_mm:g} mm at {taper_deg:g} degrees",
            "a base with a flat underside",
        )
    far_mm2 = math.pi * far_mm**2
    mean_mm2 = (footprint_mm2 + math.sqrt(footprint_mm2 * far_mm2) + far_mm2) / 3.0
    return mean_mm2 * height_mm / _MM3_PER_ML


def _no_base(found: str, needed: str) -> MixError:
    return MixError(
        found,
        needed=needed,
        remedy="see second_pour in the lab file, --second-pour and --footprint",
        code="mix-base",
    )
