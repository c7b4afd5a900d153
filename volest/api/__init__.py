"""volest for other programs: `measure`, `size_folder` and `mix`; `volest` itself hands them on.

All three take the same options, by name; what is left out is as on the command line.
"""

from volest.api.calls import measure, mix, size_folder
from volest.api.options import Options, settings_for
from volest.batch.workers import Limits
from volest.errors import VolestError
from volest.lab import Lab
from volest.result import Result
from volest.settings import Base, Settings
from volest.stone.mix import Mix

__all__ = [
    "Base",
    "Lab",
    "Limits",
    "Mix",
    "Options",
    "Result",
    "Settings",
    "VolestError",
    "measure",
    "mix",
    "settings_for",
    "size_folder",
]
