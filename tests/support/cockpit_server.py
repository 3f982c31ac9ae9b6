"""The server of the live page with clients, for tests."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from tests.support import missing

test_utils = missing.library("aiohttp.test_utils")

from vario.app.cockpit.server import Server  # noqa: E402  (after the check that the library is there)

PASSPHRASE = "correct horse battery"  # noqa: S105  (of the tests alone)
STATE = {"t": 1.0, "place": [0.0, 0.0, 1, 0.0, 0.0], "lift": 1.0}


def folder(tmp_path: Path) -> Path:
    """A settings file and a passphrase."""
    (tmp_path / "vario.toml").write_text('[flight]\nmaccready = "1 m/s"\n', encoding="utf-8")
    (tmp_path / "passphrase").write_text(f"{PASSPHRASE}\n", encoding="utf-8")
    return tmp_path


Client = Any


@asynccontextmanager
async def client_of(server: Server) -> AsyncIterator[Client]:
    async with test_utils.TestClient(test_utils.TestServer(server.application())) as client:
        yield client


def server_in(tmp_path: Path) -> Server:
    home = folder(tmp_path)
    return Server(home / "vario.toml", home / "marks", home / "passphrase")


def origin(client: Client) -> dict[str, str]:
    return {"Origin": str(client.make_url("/")).rstrip("/")}


async def post(client: Client, path: str, body: object, **headers: str) -> Any:
    return await client.post(path, json=body, headers={**origin(client), **headers})


def run(test: Callable[[], Awaitable[None]]) -> None:
    asyncio.run(asyncio.wait_for(test(), 20.0))  # type: ignore[arg-type]
