"""The command ``platelink``: its table of commands, and what a fault looks like to people.

Only click is imported here; a command's module is imported when the command is used, so that help
and completion answer at once. No fault that can be foreseen ends in a traceback.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from errno import ENOSPC
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from platelink import __version__

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem


class Failure(click.ClickException):
    """The check failed, or something that is needed cannot be used: one message on stderr."""

    exit_code = 1


class Misuse(Failure):
    """The command line or the configuration cannot be carried out as written."""

    exit_code = 2


FAULTS: Mapping[str, type[Failure]] = {
    "platelink.config.load.ConfigError": Misuse,
    "platelink.config.services.SecretFileError": Misuse,
    "platelink.units.UnitError": Misuse,
    "platelink.finding.curve.NoFitError": Failure,
    "platelink.finding.experiments.ExperimentError": Misuse,
    "platelink.recipe.load.RecipeFileError": Misuse,
    "platelink.ledger.errors.StoreRefused": Misuse,
    "platelink.ledger.errors.StoreError": Failure,
    "platelink.record.errors.JournalError": Failure,
    "platelink.evidence.wrong.EvidenceError": Failure,
    "platelink.distribution.wrong.NotTaken": Failure,
    "platelink.link.port.PortError": Failure,
    "platelink.publish.broker.BrokerError": Failure,
    "platelink.fleet.opened.NoCopyError": Misuse,
    "platelink.publish.store.StoreLost": Failure,
    "platelink.publish.recorder_journal.RecorderJournalError": Failure,
    "platelink.publish.services.ServiceError": Failure,
    "platelink.daemon.recorder_setup.SessionNameError": Failure,
    "platelink.daemon.service.SocketError": Failure,
    "platelink.alerts.setup.NoAlertsError": Misuse,
    "platelink.client.errors.ClientError": Failure,
    "platesim.board.BoardError": Failure,
}
"""What becomes of each fault that is foreseen, by the name of its class: naming imports nothing."""


class Lazy(NamedTuple):
    """Where a command lives, and its line in the list of commands."""

    place: str
    """``module:attribute`` within this package."""
    help: str
    section: str = "Commands"


class LazyGroup(click.Group):
    """A group whose commands are imported when they are used."""

    def __init__(self, *args: Any, lazy: Mapping[str, Lazy], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lazy = lazy

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.lazy)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        found = self.lazy.get(cmd_name)
        if found is None:
            return None
        module, attribute = found.place.split(":")
        command = getattr(import_module(f"platelink.cli.{module}"), attribute)
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = args[0]
        if name not in self.lazy and not name.startswith("-"):
            import difflib

            near = difflib.get_close_matches(name, self.lazy, n=1)
            hint = f"did you mean '{near[0]}'?" if near else f"see '{ctx.command_path} --help'."
            ctx.fail(f"There is no command '{name}'; {hint}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        widest = max(map(len, self.lazy))
        for section in dict.fromkeys(lazy.section for lazy in self.lazy.values()):
            with formatter.section(section):
                formatter.write_dl(
                    [
                        (name.ljust(widest), lazy.help)
                        for name, lazy in self.lazy.items()
                        if lazy.section == section
                    ]
                )

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """click's own way would import every command."""
        from click.shell_completion import CompletionItem

        names = [name for name in self.lazy if name.startswith(incomplete)]
        items = [CompletionItem(name, help=self.lazy[name].help) for name in names]
        return items + click.Command.shell_complete(self, ctx, incomplete)

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except Exception as error:
            kind = failure_of(error)
            if kind is None and _full(error):
                raise Failure(
                    "the output could not be written, the disk is full; free space, or write it "
                    "to another place"
                ) from None
            if kind is None:
                raise
            raise kind(_text(error)) from error


def _full(error: Exception) -> bool:
    """What is printed goes to a file, and its disk is full: no file of ours, which has a name."""
    return isinstance(error, OSError) and error.errno == ENOSPC and error.filename is None


MISUSES = ("misuse", "unknown", "refused")
"""Words of the service for what cannot be carried out as it was asked."""


def failure_of(error: Exception) -> type[Failure] | None:
    """What a fault of ours becomes; None for any other exception."""
    names = (f"{c.__module__}.{c.__qualname__}" for c in type(error).__mro__)
    found = next((FAULTS[name] for name in names if name in FAULTS), None)
    return Misuse if found and getattr(error, "kind", "") in MISUSES else found


def _text(error: Exception) -> str:
    """The text of a fault of ours."""
    text = str(error)
    if text.endswith(("sign in first", "sign in again")):
        return f"{text}: platelink sign-in NAME (or platelink sign-out, to read only)"
    return text


_PLATE, _EXPOSE, _MAKE, _RECORD, _WHO, _RUN, _SET_UP, _TRY = (
    "Plates and alarms, on a unit whose daemon runs",
    "Exposures, on a unit whose daemon runs",
    "Recipes, stock, screens and the oven",
    "What was recorded",
    "People",
    "Services",
    "Setting up",
    "Without a unit",
)
COMMANDS = {
    "plate": Lazy("plate:plate", "Plates: start one, follow it, run each step.", _PLATE),
    "alarm": Lazy(
        "alarm:alarm", "Alarms: list, acknowledge, reset, shelve, put out of service.", _PLATE
    ),
    "expose": Lazy("expose:expose", "Make an exposure that ends at its dose.", _EXPOSE),
    "status": Lazy("status:status", "Show what the unit is doing now.", _EXPOSE),
    "hold": Lazy("expose:hold", "Lamps off; the remaining dose is kept.", _EXPOSE),
    "restart": Lazy("expose:restart", "Continue an exposure on hold.", _EXPOSE),
    "stop": Lazy("expose:stop", "End the exposure; the plate stays incomplete.", _EXPOSE),
    "abort": Lazy("expose:abort", "End the exposure at once: something is wrong.", _EXPOSE),
    "lamp-values": Lazy(
        "lamp_values:lamp_values", "Lamp values from recent exposures: show, discard.", _EXPOSE
    ),
    "lamps": Lazy("lamps:lamps", "The lamp set: use, fade, forecast; changed, cleaned.", _EXPOSE),
    "oven-lag": Lazy("oven_lag:oven_lag", "How far a plate lags behind the oven air.", _MAKE),
    "find": Lazy("find:find", "Doses found by experiments: wedge, strip, screens.", _MAKE),
    "calibrate": Lazy("calibrate:calibrate", "Sensors against a reference instrument.", _EXPOSE),
    "recipe": Lazy("recipe:recipe", "Recipes: list, show, compare, add, approve, retire.", _MAKE),
    "remake": Lazy("remaking:remake", "Make a plate again: doses of today, a draft.", _MAKE),
    "lot": Lazy("lot:lot", "Lots of plate stock and the area left of each.", _MAKE),
    "screen": Lazy("screen:screen", "Line screens and how often each was used.", _MAKE),
    "film": Lazy("film:film", "Artwork films, and the plates that came from each.", _MAKE),
    "maintenance": Lazy(
        "maintenance:maintenance", "What is due: lamps, seals, brushes, bath, sensors.", _MAKE
    ),
    "runs": Lazy("runs:runs", "List runs, newest first.", _RECORD),
    "show": Lazy("show:show", "Show the full record of a run or plate.", _RECORD),
    "export": Lazy("export:export", "Write a run or a plate as CSV or JSON.", _RECORD),
    "trends": Lazy("trends:trends", "Show figures by day, and what changed when.", _RECORD),
    "cost": Lazy("cost:cost", "Scrap, and what a good plate costs.", _RECORD),
    "check": Lazy("runs:check", "Recompute a dose from its stored samples and compare.", _RECORD),
    "depths": Lazy(
        "depths:depths", "Charts of depths, capability, the dose that follows.", _RECORD
    ),
    "ask": Lazy("ask:ask", "Ask about everything made: by whom, of what, how it went.", _RECORD),
    "index": Lazy("indexing:index", "Bring up what questions are answered from.", _RECORD),
    "verify": Lazy("evidence:verify", "Compare with what was sealed.", _RECORD),
    "replay": Lazy("replay:replay", "Make it again from its inputs, and compare.", _RECORD),
    "bundle": Lazy("bundling:bundle", "Sealed records as folders, for others.", _RECORD),
    "import": Lazy("importing:import_", "Take in bundles of another unit.", _RECORD),
    "imported": Lazy("importing:imported", "List records imported from other units.", _RECORD),
    "report": Lazy("bundling:report", "One sealed record on one page: PDF or HTML.", _RECORD),
    "label": Lazy("bundling:label", "A plate's label, with a code to scan.", _RECORD),
    "seal": Lazy("evidence:seal", "The log of seals: its key, its head.", _RECORD),
    "user": Lazy("user:user", "People, their roles and their PINs or passwords.", _WHO),
    "shop": Lazy("shop:shop", "One place for all: sign, send and take revisions.", _WHO),
    "sign-in": Lazy("sign_in:sign_in", "Sign in with name and PIN or password.", _WHO),
    "sign-out": Lazy("sign_in:sign_out", "Sign out.", _WHO),
    "whoami": Lazy("sign_in:whoami", "Who is signed in, and what they may do.", _WHO),
    "serve": Lazy("serve:serve", "The daemon of one unit.", _RUN),
    "page": Lazy("page:page", "Serve the page for browsers and the touch panel.", _RUN),
    "alerts": Lazy("alerts:alerts", "Send alarms to people by e-mail, webhook, push.", _RUN),
    "recorder": Lazy(
        "recorder:recorder", "Write what units publish into the time-series store.", _RUN
    ),
    "fleet": Lazy("fleet:fleet", "All units: lit, held, alarmed, offline, overdue.", _RUN),
    "config": Lazy("config:config", "Check or show the configuration.", _SET_UP),
    "doctor": Lazy("doctor:doctor", "Find problems and say what to do.", _SET_UP),
    "backup": Lazy("backup:backup", "Back up all files; the unit may be in use.", _SET_UP),
    "restore": Lazy("backup:restore", "Restore the files of a backup.", _SET_UP),
    "drill": Lazy("backup:drill", "Test a backup: restore it elsewhere and compare.", _SET_UP),
    "rehearse": Lazy("rehearse:rehearse", "Practise on a simulated unit with its page.", _TRY),
    "demo": Lazy("demo:demo", "Watch a whole plate being made on a simulated unit.", _TRY),
    "bench": Lazy("bench:bench", "Measure accuracy and speed.", _TRY),
}


@click.group(
    cls=LazyGroup,
    lazy=COMMANDS,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="Configuration: --config, else $PLATELINK_CONFIG, else ./platelink.toml, else "
    "/etc/platelink/platelink.toml.",
)
@click.option(
    "--config",
    type=click.Path(path_type=Path, dir_okay=False),
    envvar="PLATELINK_CONFIG",
    help="Configuration file.",
)
@click.version_option(__version__, prog_name="platelink", message="%(prog)s %(version)s")
def main(config: Path | None) -> None:
    """Expose printing plates to a UV dose, and keep a record that can be checked.

    Exit codes: 0 fine, 1 something is wrong, 2 wrong usage."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")  # a terminal of few characters must not end us
