"""What people write of a plate after its end: ``plate note``, ``plate correct``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from platelink.cli import complete
from platelink.cli.context import daemon, emit, json_option
from platelink.cli.quantities import clean

if TYPE_CHECKING:
    from platelink.contract.facts import Restated


@click.command()
@click.argument("plate", shell_complete=complete.plates)
@click.argument("text")
@json_option
def note(plate: str, text: str, as_json: bool) -> None:
    """Add a note, TEXT, to a PLATE that has ended. It is an entry of its own, with who and when."""
    from platelink.client import request
    from platelink.contract.plates import NoteOnPlate

    with daemon() as client:
        done = client.after_plate(plate, request(NoteOnPlate, text=text))
    if as_json:
        emit(done)
    else:
        click.echo(clean(f"noted on plate {plate}"))


@click.command()
@click.argument("plate", shell_complete=complete.plates)
@click.option("--depth", "point", metavar="POINT", help="Correct the depth measured at this point.")
@click.option("--lot", "field", flag_value="lot", help="Correct the lot.")
@click.option("--job", "field", flag_value="job", help="Correct the job.")
@click.option("--verdict", "field", flag_value="verdict", help="Correct the verdict.")
@click.argument("value")
@click.option("--why", required=True, help="The reason, for the record.")
@json_option
def correct(
    plate: str, value: str, *, point: str | None, field: str | None, why: str, as_json: bool
) -> None:
    """Correct what was recorded of a PLATE that has ended: VALUE is what is right, such as
    '24.5 um', the name of a lot or a job, or good or reject.

    What was recorded stays, and is shown beside it everywhere; trends use what is right."""
    from platelink.client import request
    from platelink.contract.plates import PlateCorrectionAsked

    if (point is None) == (field is None):
        raise click.UsageError("say what is corrected: --depth POINT, --lot, --job or --verdict.")
    what: Any = "depth" if point is not None else field
    wanted = request(PlateCorrectionAsked, field=what, value=value, point=point, why=why)
    with daemon() as client:
        done = client.after_plate(plate, wanted)
    if as_json:
        emit(done)
    else:
        of = f"depth {point}" if point is not None else field
        click.echo(clean(f"corrected: {of} of plate {plate} is {value}"))


def restate(doses: Sequence[Restated], why: str) -> dict[str, str]:
    """Put each corrected dose down beside what was recorded of its plate; by exposure why it was
    refused, empty where it was not."""
    from platelink.client import ClientError, NoService, request
    from platelink.contract.plates import PlateCorrectionAsked

    written: dict[str, str] = {}
    with daemon() as client:
        for one in doses:
            if one.corrected_mj_cm2 is None:
                written[one.run_id] = one.why or "it has no dose"
                continue
            value = f"{one.corrected_mj_cm2:.3f} mJ/cm2"
            asked = request(
                PlateCorrectionAsked, field="dose", value=value, run_id=one.run_id, why=why
            )
            try:
                client.after_plate(one.plate, asked)
            except NoService:
                raise
            except ClientError as error:
                written[one.run_id] = str(error)
            else:
                written[one.run_id] = ""
    return written
