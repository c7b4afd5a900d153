"""Parameters that only a whole run tries: see 'Tests' in DEVELOPERS.md."""

from typing import Any

import pytest


def slow(*values: Any) -> list[Any]:
    """Mark parameters, each a value or a tuple of values."""
    rows = (value if isinstance(value, tuple) else (value,) for value in values)
    return [pytest.param(*row, marks=pytest.mark.slow) for row in rows]
