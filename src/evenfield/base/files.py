"""Files written whole or not at all."""

from __future__ import annotations

import errno
import os
import tempfile
from collections.abc import Callable
from pathlib import Path

from evenfield.base.errors import EvenfieldError


def make_folder(folder: Path) -> None:
    """Create a folder. Raises EvenfieldError saying why it cannot be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _refused(folder, error) from None


def write_whole(path: Path, fill: Callable[[Path], object]) -> None:
    """Call `fill(temporary path)`, then move the file into place: readers see the old file or the whole new one.

    Raises EvenfieldError when the disk refuses; the temporary file is removed.
    """
    make_folder(path.parent)
    handle, name = tempfile.mkstemp(prefix=f".{path.stem[:16]}-", suffix=path.suffix, dir=path.parent)
    os.close(handle)
    temporary = Path(name)
    try:
        fill(temporary)
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except (OSError, RuntimeError) as error:
        temporary.unlink(missing_ok=True)
        raise _refused(path, error) from error
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def _refused(path: Path, error: Exception) -> EvenfieldError:
    full = getattr(error, "errno", None) in (errno.ENOSPC, errno.EDQUOT)
    cause = "The disk is full" if full else "The disk refused the write"
    return EvenfieldError(
        f"{path.name} must be written whole, got '{error}' ({path.parent}). {cause}; nothing was left half-written. "
        "Try freeing space, then run again: finished frequencies are kept."
    )
