"""Read by the process that workers are forked from, and by nothing else: keeps it quiet.

A worker that is just starting when the run ends finds what it was to share with it gone, which
Python would tell in a trace; whoever stopped the run has no use for that.
"""

import sys
from types import TracebackType


def _tell(kind: type[BaseException], fault: BaseException, trace: TracebackType | None) -> None:
    if not issubclass(kind, OSError | EOFError):
        sys.__excepthook__(kind, fault, trace)


sys.excepthook = _tell
