"""What volest logs, told on the error stream when a person asks for it."""

import logging

import click

_LOGGER = logging.getLogger("volest")


class _Talk(logging.Handler):
    """Writes log lines with everything odd in them made visible."""

    def emit(self, record: logging.LogRecord) -> None:
        from volest.sheet.names import visible  # keeps --help quick

        for line in self.format(record).splitlines():
            click.echo(visible(line), err=True)


_TALK = _Talk()
_TALK.setFormatter(logging.Formatter("%(levelname)s %(name)s: %(message)s"))


def set_talk(loud: bool, /) -> None:
    """Tell or keep to itself what volest logs.

    Parameters
    ----------
    loud : bool
        True tells everything, with the traces of faults; False nothing.
    """
    _LOGGER.removeHandler(_TALK)
    _LOGGER.setLevel(logging.DEBUG if loud else logging.NOTSET)
    if loud:
        _LOGGER.addHandler(_TALK)
