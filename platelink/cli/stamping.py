"""Time stamps for the bundles of one command, by the configured authority."""

from __future__ import annotations

import click

from platelink.cli.context import load_config


class Stamps:
    """Asks for a stamp of each checkpoint once, and for none any more once one could not be had:
    whoever is silent is silent for a while, and hundreds of bundles would wait for each time-out.
    """

    def __init__(self) -> None:
        self._section = load_config().stamping
        self._known: dict[bytes, bytes] = {}
        self._failed = False
        self.lacking = 0
        """Bundles that go without, though an authority is configured."""

    def of(self, checkpoint: bytes) -> bytes | None:
        """By the configured authority; None without one, and where it does not answer, or not as it
        must, which is said."""
        if self._section is None:
            return None
        if checkpoint not in self._known and not self._failed:
            answer = self._asked(self._section.url, checkpoint)
            if answer is None:
                self._failed = True
            else:
                self._known[checkpoint] = answer
        found = self._known.get(checkpoint)
        self.lacking += found is None
        return found

    def _asked(self, url: str, checkpoint: bytes) -> bytes | None:
        from platelink.evidence.authority import stamp_by
        from platelink.evidence.wrong import EvidenceError

        assert self._section is not None
        roots, timeout_s = self._section.certificate_file, self._section.timeout_s
        try:
            return stamp_by(url, checkpoint, timeout_s=timeout_s, roots=roots)
        except EvidenceError as error:
            click.echo(f"not time-stamped, {url}: {error}", err=True)
            return None

    def tell(self) -> None:
        """How many go without, and how they get one later."""
        if self._section is not None and self.lacking:
            word = "bundle has" if self.lacking == 1 else "bundles have"
            click.echo(
                f"{self.lacking} {word} no time stamp; {self._section.url} was not asked again. "
                "Later, write the same into another folder: platelink bundle PLATE --to FOLDER",
                err=True,
            )
