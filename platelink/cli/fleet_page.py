"""The command ``fleet page``: the process that serves the wall of all units."""

from __future__ import annotations

from pathlib import Path

import click

from platelink.cli.context import config_path
from platelink.cli.group import Failure, Misuse
from platelink.cli.page import LOOPBACK, Place, PlaceType


@click.command()
@click.option(
    "--listen",
    "place",
    type=PlaceType(),
    default="127.0.0.1:8465",
    show_default=True,
    help="Where browsers of this computer find it; port 0 takes a free one.",
)
@click.option(
    "--name",
    "names",
    multiple=True,
    help="A name that a proxy of yours forwards to it; may be given several times.",
)
def page(place: Place, names: tuple[str, ...]) -> None:
    """Serve a page of all units and their plates; it only reads.

    Browsers of this computer alone reach it, with the password of [fleet] page_password_file. For
    others put a proxy with TLS before it, and name it with --name."""
    from platelink.config.load import load_fleet
    from platelink.config.services import secret_of
    from platelink.fleet.page import build
    from platelink.fleet.setup import fleet_broker
    from platelink.web.server import serve_app
    from platelink.web.settings import PageSettings, listen

    config = load_fleet(config_path())
    password = secret_of(None, config.fleet.page_password_file)
    if password is None:
        raise Misuse(
            "records name people, so the page wants a password: write one of at least 12 "
            "characters into a file, and name it in [fleet] page_password_file"
        )
    host, port = place
    if host not in LOOPBACK:
        raise Misuse(
            f"{host}: the page is for this computer; put a proxy with TLS before it, or reach it "
            "by ssh -L"
        )
    settings = PageSettings(Path(), names=names, display=config.display.model_dump())
    try:
        app = build(settings, fleet_broker(config), config.fleet.path, password)
    except ValueError as error:
        raise Misuse(f"{config.fleet.page_password_file}: {error}") from None
    try:
        listener = listen(host, port)
    except OSError as error:
        raise Failure(
            f"{host}:{port} cannot be listened on ({error.strerror}); choose another with --listen"
        ) from None
    port = listener.getsockname()[1]
    shown = f"[{host}]" if ":" in host else host
    with listener:
        serve_app(app, settings, listener, lambda: click.echo(f"the page: http://{shown}:{port}/"))
