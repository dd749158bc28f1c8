"""Ways to the service: what ends light goes by its lane, where nothing stands before it, and by the
service's own socket where there is none, or where the lane does not answer."""

from __future__ import annotations

from pathlib import Path

import httpx

from platelink.client.reach import answers
from platelink.contract.service import ends, lane_of

LANE_S = 3.0
"""How long the lane may take to answer; asking once more does no harm."""
CONNECTIONS = 64
"""By the service's own socket, and as many by the lane."""


def by_lane(request: httpx.Request) -> httpx.Request | None:
    """The request as the lane gets it; None for what it does not carry."""
    if request.method != "POST" or not ends(request.url.path):
        return None
    soon = dict.fromkeys(("connect", "read", "write", "pool"), LANE_S)
    return httpx.Request(
        request.method, request.url, headers=request.headers, stream=request.stream,
        extensions={**request.extensions, "timeout": soon},
    )  # fmt: skip


class Ways(httpx.BaseTransport):
    """To the service at a Unix socket."""

    def __init__(self, socket: Path) -> None:
        self._place = lane_of(socket)
        self._service = httpx.HTTPTransport(uds=str(socket), verify=False)
        self._lane = httpx.HTTPTransport(uds=str(self._place), verify=False)

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        """One request."""
        urgent = by_lane(request)
        if urgent is not None and answers(self._place):
            try:
                return self._lane.handle_request(urgent)
            except httpx.TransportError:
                pass
        return self._service.handle_request(request)

    def close(self) -> None:
        """Hang up."""
        self._service.close()
        self._lane.close()


class AsyncWays(httpx.AsyncBaseTransport):
    """The same for a loop."""

    def __init__(self, socket: Path) -> None:
        limits = httpx.Limits(max_connections=CONNECTIONS)
        self._service = httpx.AsyncHTTPTransport(uds=str(socket), limits=limits, verify=False)
        self._lane = httpx.AsyncHTTPTransport(uds=str(lane_of(socket)), limits=limits, verify=False)

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        """One request."""
        urgent = by_lane(request)
        if urgent is not None:
            try:
                return await self._lane.handle_async_request(urgent)
            except httpx.TransportError:
                pass
        return await self._service.handle_async_request(request)

    async def aclose(self) -> None:
        """Hang up."""
        await self._service.aclose()
        await self._lane.aclose()
