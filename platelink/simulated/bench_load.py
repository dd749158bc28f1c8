"""Clients that load a unit's service, as a process: ``python -m platelink.simulated.bench_load KIND
SOCKET TOKENS``, with commas between tokens. Runs until it is ended."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import signal
import sys
import threading
from collections.abc import Callable
from pathlib import Path

from websockets.asyncio.client import unix_connect

from platelink.client import Client, ClientError
from platelink.contract.runs import RunsQuery
from platelink.contract.words import Command
from platelink.daemon.lag import LagMeter

MANY = 50
AT_ONCE = 16


def follow(socket: Path, tokens: str, clients: int) -> None:
    """So many live clients that read, by turns of these people."""

    async def one(token: str) -> None:
        headers = {"authorization": f"Bearer {token}"}
        async with unix_connect(
            str(socket), "ws://platelink/v1/live", additional_headers=headers, open_timeout=60.0
        ) as lines:
            async for _ in lines:
                pass

    async def all_of_them() -> None:
        whose = itertools.cycle(tokens.split(","))
        await asyncio.gather(*(one(next(whose)) for _ in range(clients)))

    asyncio.run(all_of_them())


def flood(socket: Path, tokens: str, ask: Callable[[Client, int], object]) -> None:
    """Threads that ask without a pause; what is refused is what is wanted."""
    token = tokens.split(",", maxsplit=1)[0]

    def one() -> None:
        with Client(socket, token, answer_s=60.0) as client:
            for number in itertools.count():
                with contextlib.suppress(ClientError):
                    ask(client, number)

    threads = [threading.Thread(target=one, daemon=True) for _ in range(AT_ONCE)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def _read(client: Client, number: int) -> None:
    run = client.runs(RunsQuery(limit=1)).runs[0].run_id
    client.samples(run) if number % 2 else client.status()


def _command(client: Client, number: int) -> None:
    client.command(Command.RESTART, f"flood {number}")  # refused while light falls


def _sign_in(client: Client, number: int) -> None:
    client.sign_in(f"nobody-{number % 50}", "wrong on purpose")


def beside(path: Path, _: str) -> None:
    """No client: an empty loop, measured as the daemon's is."""

    async def measure() -> None:
        meter, end = LagMeter(), asyncio.Event()
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, end.set)
        meter.start()
        await end.wait()
        meter.write(path)

    asyncio.run(measure())


KINDS: dict[str, Callable[[Path, str], None]] = {
    "beside": beside,
    "one": lambda socket, token: follow(socket, token, 1),
    "many": lambda socket, token: follow(socket, token, MANY),
    "reads": lambda socket, token: flood(socket, token, _read),
    "commands": lambda socket, token: flood(socket, token, _command),
    "sign-ins": lambda socket, token: flood(socket, token, _sign_in),
}

if __name__ == "__main__":
    KINDS[sys.argv[1]](Path(sys.argv[2]), sys.argv[3])
