"""Shows volest another operating system; Python reads this as it starts, if told of this folder.

Libraries go on seeing this computer, since they bring code of their own for each system; volest,
in whatever process, finds no module and no name that the other has not, and is told its name.
What stands here is from Python's library reference ('Availability' of each).
"""

import builtins
import importlib
import os
from collections.abc import Mapping, Sequence
from types import ModuleType
from typing import Any

_UNIX_ONLY = {"resource", "fcntl", "termios", "tty", "pwd", "grp"}
_LACKING: dict[str, dict[str, set[str]]] = {
    "win32": {
        "os": {"sched_getaffinity", "sysconf", "fork", "setsid", "nice", "getuid", "geteuid"}
        | {"mkfifo", "fchmod", "chown", "uname", "spawnlp", "getpgid", "killpg", "statvfs"},
        "signal": {"SIGKILL", "SIGHUP", "SIGALRM", "SIGPIPE", "SIGUSR1", "alarm", "setitimer"},
        "time": {"tzset", "clock_gettime"},
        "psutil": {"RLIMIT_DATA"},
    },
    "darwin": {
        "os": {"sched_getaffinity", "posix_fadvise", "memfd_create"},
        "psutil": {"RLIMIT_DATA"},
    },
}
_METHODS = {"win32": ["spawn"], "darwin": ["spawn", "fork", "forkserver"]}


class _Less(ModuleType):
    """A module as another system has it; what is set is set in the true one."""

    def __init__(self, whole: ModuleType, lacks: set[str], others: Mapping[str, Any]) -> None:
        super().__init__(whole.__name__, whole.__doc__)
        object.__setattr__(self, "_parts", (whole, lacks, others))

    def __getattribute__(self, name: str) -> Any:
        whole, lacks, others = object.__getattribute__(self, "_parts")
        if name in lacks:
            raise AttributeError(f"module {whole.__name__!r} has no attribute {name!r} here")
        return others[name] if name in others else getattr(whole, name)

    def __setattr__(self, name: str, value: object) -> None:
        setattr(object.__getattribute__(self, "_parts")[0], name, value)


def _others_of(name: str, system: str, whole: ModuleType) -> dict[str, Any]:
    if name == "sys":
        return {"platform": system}
    if name == "multiprocessing":
        methods = _METHODS[system]

        def get_context(method: str | None = None) -> Any:
            if method not in methods:
                raise ValueError(f"cannot find context for {method!r}")
            return whole.get_context(method)

        return {"get_all_start_methods": lambda: list(methods), "get_context": get_context}
    if name == "psutil" and system == "darwin":

        class Process(whole.Process):  # type: ignore[name-defined,misc]  # a name of this moment
            def __getattribute__(self, asked: str) -> Any:
                if asked in {"cpu_affinity", "rlimit"}:
                    raise AttributeError(asked)
                return super().__getattribute__(asked)

        return {"Process": Process}
    return {}


def show(system: str) -> None:
    """Show volest that system from now on."""
    true_import = builtins.__import__
    lacking = _LACKING[system]
    shown: dict[str, ModuleType] = {}

    def import_there(
        name: str,
        globals: Mapping[str, Any] | None = None,  # noqa: A002  # Python's own name
        locals: Mapping[str, Any] | None = None,  # noqa: A002  # likewise
        fromlist: Sequence[str] | None = (),
        level: int = 0,
    ) -> ModuleType:
        asking = str((globals or {}).get("__name__", "")).partition(".")[0]
        top = name.partition(".")[0]
        if asking == "volest" and level == 0:
            if system == "win32" and top in _UNIX_ONLY:
                raise ModuleNotFoundError(f"No module named {top!r}", name=top)
            if top in {*lacking, "sys", "multiprocessing"} and top == name:
                if top not in shown:
                    whole = importlib.import_module(top)
                    others = _others_of(top, system, whole)
                    shown[top] = _Less(whole, lacking.get(top, set()), others)
                return shown[top]
        return true_import(name, globals, locals, fromlist, level)

    builtins.__import__ = import_there


if os.environ.get("SHOWN_SYSTEM"):
    show(os.environ["SHOWN_SYSTEM"])
