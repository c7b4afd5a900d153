"""How much a scan may hold, and the one way to tell that a file is too short for what it states."""

from volest.errors import ScanError

MAX_BYTES = 2_000_000_000  # a scan of 30 million triangles as binary STL takes 1.5 GB
MAX_TEXT_BYTES = 1_000_000_000  # numbers read from text take up to three times the file's own size
MAX_TRIANGLES = 30_000_000  # scanners give 0.1 to 2 million; beyond this memory, not truth, decides
ABSURD_FACTOR = 100  # a file cut short still holds a fair share of itself; 1 % of it is no cut
LONG_FIGURE = 10**15  # longer ones are written as powers of ten, so that a line stays a line
# Of a scan's triangles: what was never filled in is surface that is not there, and a floor of which
# a tenth is missing is refused as well. In sound scans a handful of triangles meet in any one
# point, 0, 0, 0 included: fewer than ten say nothing.
MOST_UNFILLED, LEAST_UNFILLED = 0.1, 10
WAIT = "wait until the copy has finished, or export the scan again"
RESCAN = "export or copy the scan again and compare the file sizes"


def refuse_if_short(what: str, stated: int, room: int) -> None:
    """Refuse a file that states more than it can hold, before anything is set aside for it."""
    if stated <= room and 0 <= stated <= MAX_TRIANGLES:
        return
    if 0 <= stated <= room:
        raise ScanError(
            f"{stated:,} {what}",
            needed=f"{MAX_TRIANGLES:,} at most",
            remedy="export the scan with fewer triangles",
            code="too-large",
        )
    figure = f"{stated:,}" if stated < LONG_FIGURE else f"{stated:.0e}"
    absurd = stated < 0 or stated > max(ABSURD_FACTOR * room, MAX_TRIANGLES)
    raise ScanError(
        f"a file that states {figure} {what} and has room for {room:,}",
        needed="a file that holds what it states",
        remedy=RESCAN,
        code="absurd-count" if absurd else "truncated",
    )


def refuse_if_large(size: int, *, text: bool) -> None:
    """Refuse a file, of so many bytes, whose triangles would not fit into a usual memory."""
    most = MAX_TEXT_BYTES if text else MAX_BYTES
    if size > most:
        raise ScanError(
            f"{size / 1e9:.1f} GB",
            needed=f"{most / 1e9:.0f} GB at most",
            remedy="export the scan as binary, or with fewer triangles",
            code="too-large",
        )


def refuse_if_unfilled(what: str, count: int, of: int) -> None:
    """Refuse a file of full size that is largely not filled in, as a copy that goes on is."""
    if count < LEAST_UNFILLED or count <= MOST_UNFILLED * of:
        return
    raise ScanError(
        f"{count:,} of {of:,} {what}",
        needed="a file that is filled to its end",
        remedy=WAIT,
        code="truncated",
    )


def damaged(found: str, needed: str) -> ScanError:
    """Make the refusal of a mesh whose text or header does not follow its format."""
    return ScanError(found, needed=needed, remedy="export the scan again", code="damaged")


def truncated(found: str, needed: str) -> ScanError:
    """Make the refusal of a file that ends before the mesh does."""
    return ScanError(found, needed=needed, remedy=RESCAN, code="truncated")
