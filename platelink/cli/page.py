"""The command ``page``: the process that serves the page beside the machine."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, NoReturn

import click

from platelink.cli.context import load_config
from platelink.cli.group import Failure
from platelink.modules import own_module

if TYPE_CHECKING:
    from platelink.web.settings import Begin

LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})


class Place(NamedTuple):
    """Where to listen."""

    host: str
    port: int


class PlaceType(click.ParamType[Place]):
    """``HOST:PORT`` or ``PORT``; brackets around an IPv6 address."""

    name = "[host:]port"

    def convert(
        self, value: str | Place, param: click.Parameter | None, ctx: click.Context | None
    ) -> Place:
        if isinstance(value, Place):
            return value
        host, _, port = value.rpartition(":")
        if not port.isdecimal() or not 0 <= int(port) <= 65535:
            self.fail(f"'{value}': write a port, or host and port as in 127.0.0.1:8460", param, ctx)
        return Place(host.strip("[]") or "127.0.0.1", int(port))


@click.command()
@click.option(
    "--listen",
    "place",
    type=PlaceType(),
    default="127.0.0.1:8460",
    show_default=True,
    help="Where browsers find it; port 0 takes a free one.",
)
@click.option(
    "--name",
    "names",
    multiple=True,
    help="A name or address that browsers open it by, beside those of this computer itself; "
    "may be given several times.",
)
@click.option(
    "--service",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Socket of the unit's service; left out: page_socket of the configuration, else the one "
    "beside the journal.",
)
@click.option(
    "--certificate",
    type=click.Path(path_type=Path, exists=True, dir_okay=False, readable=True),
    help="Certificate (PEM), for https.",
)
@click.option(
    "--key",
    type=click.Path(path_type=Path, exists=True, dir_okay=False, readable=True),
    help="Key of that certificate (PEM).",
)
def page(
    place: Place,
    names: tuple[str, ...],
    service: Path | None,
    certificate: Path | None,
    key: Path | None,
) -> None:
    """Serve the page beside the machine, for a touch panel at the unit and for phones.

    It acts through the unit's service only, and can be stopped at any time: the unit keeps working
    without it."""
    from platelink.web.settings import Begin, PageSettings, listen

    if (certificate is None) != (key is None):
        raise click.UsageError("--certificate and --key go together; give both, or neither")
    config = load_config()
    _check_certificate(certificate, key)
    host, port = place
    try:
        listener = listen(host, port)
    except OSError as error:
        raise Failure(
            f"{host}:{port} cannot be listened on ({error.strerror}); is another page running "
            "there? Choose another with --listen"
        ) from None
    port = listener.getsockname()[1]
    settings = PageSettings(
        service=service or config.service.page_socket or config.socket_path(),
        names=(host, *names),
        display=config.display.model_dump(),
        certificate=certificate,
        key=key,
    )
    if host not in LOOPBACK and certificate is None:
        click.echo(
            "caution: without --certificate PINs and passwords travel readable through the "
            "network; use it on a network of the shop's own only",
            err=True,
        )
    scheme = "http" if certificate is None else "https"
    shown = f"[{host}]" if ":" in host else host
    _become(Begin(settings, listener.detach(), f"{scheme}://{shown}:{port}/"))


def _become(begin: Begin) -> NoReturn:
    """This process, with its number and its socket, is the page from here on."""
    from pydantic import TypeAdapter

    command, env = own_module("platelink.web")
    reading, writing = os.pipe()
    os.write(writing, TypeAdapter(type(begin)).dump_json(begin))
    os.close(writing)
    os.dup2(reading, 0)
    os.set_inheritable(begin.listener, True)
    os.execve(command[0], command, env)  # noqa: S606 -- our own module


def _check_certificate(certificate: Path | None, key: Path | None) -> None:
    """Before anything listens."""
    if certificate is None:
        return
    import ssl

    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(certificate, key)
    except (ssl.SSLError, OSError) as error:
        raise Failure(
            f"{certificate} and {key} cannot be used ({error}); give a certificate in PEM, and the "
            "key it was made with, without a password"
        ) from None
