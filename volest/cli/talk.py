"""Talk on the error stream: hints as they come, and what volest logs when a person asks for it."""

import logging

import click

_LOGGER = logging.getLogger("volest")


def say(line: str) -> None:
    """Say a line to a person, with everything in it made visible that a terminal would obey."""
    from volest.sheet.names import visible  # keeps --help quick

    click.echo(visible(line), err=True)


class _Talk(logging.Handler):
    """Says log lines."""

    def emit(self, record: logging.LogRecord) -> None:
        for line in self.format(record).splitlines():
            say(line)


_TALK = _Talk()
_TALK.setFormatter(logging.Formatter("%(levelname)s %(name)s: %(message)s"))


def set_talk(loud: bool, /) -> None:
    """Tell or keep to itself what volest logs."""
    _LOGGER.removeHandler(_TALK)
    _LOGGER.setLevel(logging.DEBUG if loud else logging.NOTSET)
    if loud:
        _LOGGER.addHandler(_TALK)
