"""What a field has to offer to be meshed and measured."""

from typing import Any, Protocol

from numpy.typing import NDArray

from tests.corpus.arch import Places
from tests.corpus.blend import Array


class Chart(Protocol):
    """Something that tells columns their place, as `tests.corpus.arch.Arch` does."""

    def places(self, x: Array, y: Array) -> Places:
        """Tell where columns stand.

        `x`, `y` (n,); gives (n, 1).
        """
        ...


class Solid(Protocol):
    """A solid with an opening upwards, told by a field: negative in material, positive in air."""

    @property
    def arch(self) -> Chart:
        """What tells columns their place."""
        ...

    def field(self, places: Places, z: Array) -> Array:
        """Give the field at heights in columns.

        `z` (n, m); gives (n, m).
        """
        ...

    def inside(self, places: Places) -> NDArray[Any]:
        """Tell which columns belong to the footprint.

        Gives (n, 1).
        """
        ...
