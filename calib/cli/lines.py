"""Lines that fit the screen, whatever letters a name has: wide ones take two columns, combining ones none."""

from __future__ import annotations

from calib.errors import harmless

# A terminal has 80 columns by old custom, and some break a line that fills the last one.
WIDTH = 79
# A path is there to be copied, so its line stays whole whatever its length.
_WHOLE = ("Written: ",)


def wrapped(
    text: str, indent: str = "", hang: str | None = None, width: int = WIDTH, whole: bool = False
) -> list[str]:
    """Return one sentence as lines of at most width columns; none for an empty one.

    indent: what the first line begins with. hang: what the others begin with, where not given indent and two spaces. whole: leave
    words alone that are longer than a line. Orders to the terminal are taken out before anything is counted, because their harmless form is longer.
    """
    from wcwidth import wrap

    return wrap(
        harmless(text),
        width,
        initial_indent=indent,
        subsequent_indent=f"{indent}  " if hang is None else hang,
        break_long_words=not whole,
        break_on_hyphens=False,
    )


def listed(text: str, indent: str = "") -> list[str]:
    """Return one entry of a list as lines of at most WIDTH columns; those after the first stand below its words, three columns in."""
    return wrapped(text, indent, indent + "   ")


def fitted(line: str, width: int = WIDTH) -> list[str]:
    """Return a line as it is where it fits, and broken between words where it does not; its indentation is kept."""
    if line.startswith(_WHOLE) or (line.isascii() and len(line) <= width):
        return [line]
    from wcwidth import wcswidth

    columns = wcswidth(line)
    if 0 <= columns <= width:
        return [line]
    text = line.lstrip(" ")
    return wrapped(text, line[: len(line) - len(text)], width=width)


def columns(text: str) -> int:
    """Return how many columns of a terminal text takes."""
    from wcwidth import wcswidth

    count = wcswidth(text)
    return count if count >= 0 else len(text)


def signed(value: float | None) -> str:
    """Return a number with its sign and one decimal, and never a nought below nought."""
    return f"{round(float(value or 0.0), 1) + 0.0:+.1f}"
