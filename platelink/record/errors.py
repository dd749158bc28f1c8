"""What can be wrong with a journal. Each text says what was found and what to do next. Pure."""

# ruff: noqa: N818 -- each name tells the state of the journal, as a face shows it

from __future__ import annotations


class JournalError(Exception):
    """Base of everything a journal raises."""


class JournalUnusable(JournalError):
    """The file cannot serve as the journal; trying again changes nothing."""


class JournalMissing(JournalUnusable):
    """No such file or directory."""


class NotAJournal(JournalUnusable):
    """Another kind of file, or the journal of another unit."""


class JournalNewer(JournalUnusable):
    """Written by a newer release."""


class JournalReadOnly(JournalUnusable):
    """The file, its directory or this opening of it does not allow writing."""


class JournalInUse(JournalUnusable):
    """Another process writes to it."""


class JournalDamaged(JournalUnusable):
    """The content is not what was written."""


class JournalUnavailable(JournalError):
    """Nothing was written now; the same entry can be written later."""


class JournalFull(JournalUnavailable):
    """No space on the disk."""


class JournalLocked(JournalUnavailable):
    """Some other program holds the file for the moment."""


class JournalDiskError(JournalUnavailable):
    """The disk failed to read or write."""


class JournalRefused(JournalError):
    """The entry contradicts what is recorded: a fault of the program that appends."""
