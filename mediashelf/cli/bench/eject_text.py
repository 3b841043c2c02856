"""How a card is taken out, in the words of the system; own words of each system's manual."""

from __future__ import annotations

import os
import shlex
import sys
from pathlib import Path

_VOLUMES = Path("/Volumes")  # where macOS mounts what is plugged in


def eject_text(folder: Path) -> str:
    """Return what to do before the card is pulled; empty where it is on the system's own disk."""
    place = folder.resolve()
    if sys.platform == "win32":
        drive = place.drive
        if drive.upper() == os.environ.get("SYSTEMDRIVE", "C:").upper() or not drive.endswith(":"):
            return ""
        return f"Before you pull it: Explorer, right-click on {drive}, Eject."
    if sys.platform == "darwin":
        if not place.is_relative_to(_VOLUMES) or place == _VOLUMES:
            return ""
        volume = _VOLUMES / place.relative_to(_VOLUMES).parts[0]
        return f"Before you pull it: diskutil eject {shlex.quote(str(volume))}"
    mount = next(each for each in (place, *place.parents) if os.path.ismount(each))
    if mount in (Path("/"), Path("/home")):
        return ""
    return f"Before you pull it: umount {shlex.quote(str(mount))}"
