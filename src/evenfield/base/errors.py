"""What went wrong, where, why, and what to try."""

from collections.abc import Sequence


class EvenfieldError(Exception):
    """Base of every error evenfield raises on purpose; its text is fit to show to the user."""


class DesignError(EvenfieldError):
    """A design file, or a value in it, cannot be used.

    `key` is the dotted path of the value in the design file ("ways.woofer.place"), where the raiser knows it; the loader
    turns it into file and line.
    """

    def __init__(self, text: str, key: str | None = None) -> None:
        super().__init__(text)
        self.key = key


class DataError(EvenfieldError):
    """A measurement or data file, or data built in memory, cannot be used."""


class MeshError(EvenfieldError):
    """A surface cannot be solved: open, inside out, degenerate, through itself or too coarse.

    `triangles` are the indices of those at fault, where the raiser knows them.
    """

    def __init__(self, text: str, triangles: Sequence[int] = ()) -> None:
        super().__init__(text)
        self.triangles = tuple(int(t) for t in triangles)


class Refusal(EvenfieldError):
    """A figure that this data cannot support. The text is the reason, shown in place of the figure."""


def message(name: str, rule: str, value: object, *, where: str = "", cause: str = "", fix: str = "") -> str:
    """Compose `<name> must be <rule>, got <value> (<where>). <cause>. Try <fix>.`

    Example:
        >>> message("frequency", "positive", "-1 Hz", fix="20 Hz")
        'frequency must be positive, got -1 Hz. Try 20 Hz.'
    """
    text = f"{name} must be {rule}, got {value}"
    if where:
        text += f" ({where})"
    text += "."
    if cause:
        text += f" {cause.rstrip('.')}."
    if fix:
        text += f" Try {fix.rstrip('.')}."
    return text
