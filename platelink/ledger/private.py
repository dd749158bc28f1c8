"""Files that their owner alone may read, however the process was started."""

from __future__ import annotations

import os
from contextlib import suppress


def opener(path: str, flags: int) -> int:
    """For ``open(..., opener=opener)``."""
    return os.open(path, flags | os.O_CLOEXEC, 0o600)


def handed(path: str, flags: int) -> int:
    """The same in a service's folder: what root makes there belongs to whom the folder does, who
    could not open it else. A link that lies in its place is not followed."""
    if os.geteuid():
        return opener(path, flags)
    found = opener(path, flags | os.O_NOFOLLOW)
    made, owner = os.fstat(found), os.stat(os.path.dirname(path) or ".")
    if made.st_uid == 0 != owner.st_uid and made.st_nlink == 1:
        with suppress(OSError):  # root without the right to: as it was
            os.fchown(found, owner.st_uid, owner.st_gid)
    return found
