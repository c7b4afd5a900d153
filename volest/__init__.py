"""How much stone to mix for a scanned dental impression.

For programs: `measure` one impression, `size_folder` many, `mix` for a volume that is known,
`cavity_mesh` for the stone as a solid. The names are read when they are first used, so
that ``import volest`` itself costs nothing.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from volest.api import Options, cavity_mesh, measure, mix, settings_for, size_folder
    from volest.batch.workers import Limits
    from volest.errors import VolestError
    from volest.lab import Lab
    from volest.result import Result
    from volest.settings import Base, Settings
    from volest.stone.mix import Mix
    from volest.view.solid import StoneSolid

__version__ = "0.1.0"
__all__ = [
    "Base",
    "Lab",
    "Limits",
    "Mix",
    "Options",
    "Result",
    "Settings",
    "StoneSolid",
    "VolestError",
    "__version__",
    "cavity_mesh",
    "measure",
    "mix",
    "settings_for",
    "size_folder",
]


def __getattr__(name: str) -> Any:
    if name in __all__:
        found = getattr(import_module("volest.api"), name)
        globals()[name] = found
        return found
    raise AttributeError(f"module 'volest' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
