"""The web application: the page's files, the socket, dropped files."""

from __future__ import annotations

import asyncio
import contextlib
import secrets
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

from fastapi import FastAPI, Request, WebSocket, WebSocketDisconnect
from fastapi.responses import FileResponse, JSONResponse, PlainTextResponse, Response
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware

from evenfield.base.errors import DataError, EvenfieldError
from evenfield.workbench.bench import Bench
from evenfield.workbench.client import Client
from evenfield.workbench.drops import TooLarge
from evenfield.workbench.frames import decode
from evenfield.workbench.guard import DROP_LIMIT, PROTOCOL, REPORT_POLICY, App, Guard
from evenfield.workbench.key import Keys
from evenfield.workbench.outbox import TooSlow

PAGE = Path(__file__).parent / "page"
"""The built page."""

LARGEST_MESSAGE = 1024 * 1024
"""Bytes of one message of the page."""

MEDIA = {
    ".html": "text/html; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8",
    ".svg": "image/svg+xml", ".woff2": "font/woff2", ".png": "image/png", ".json": "application/json",
}  # fmt: skip


def make_app(bench: Bench, port: int, keys: Keys, page: Path = PAGE) -> App:
    """The guarded application.

    Parameters
        port : where it is served, for the checks of Host and Origin
        keys : of this start
        page : folder of the built page
    """

    @contextlib.asynccontextmanager
    async def life(_: FastAPI) -> AsyncIterator[None]:
        await bench.start()
        yield
        await bench.close()

    app = FastAPI(lifespan=life, docs_url=None, redoc_url=None, openapi_url=None)
    app.add_middleware(GZipMiddleware, minimum_size=2048)
    known = {p.relative_to(page).as_posix(): p for p in page.rglob("*") if p.is_file()} if page.is_dir() else {}

    @app.get("/")
    async def index() -> Response:
        if "index.html" not in known:
            return PlainTextResponse("The page is not built. Run the build in web/ first.\n", 503)
        return FileResponse(known["index.html"], media_type=MEDIA[".html"], headers={"cache-control": "no-cache"})

    @app.websocket("/socket")
    async def socket(websocket: WebSocket) -> None:
        await websocket.accept(subprotocol=PROTOCOL)
        await talk(bench, websocket, keys)

    @app.post("/drop")
    async def drop(request: Request) -> Response:
        return await take_drop(bench, keys, request)

    @app.get("/out/{word}/{name}")
    async def made(word: str, name: str) -> Response:
        found = bench.ticketed(word, name)
        if found is None or not found.is_file():
            raise HTTPException(404)
        media = {".html": MEDIA[".html"], ".pdf": "application/pdf"}[found.suffix]
        return FileResponse(
            found, media_type=media, headers={"content-security-policy": REPORT_POLICY, "cache-control": "no-store"}
        )

    @app.get("/{path:path}")
    async def asset(path: str) -> Response:
        # only what was there at the start is served, by exact name: no path can lead elsewhere
        found = known.get(path)
        if found is None or found.suffix not in MEDIA:
            raise HTTPException(404)
        caching = "public, max-age=31536000, immutable" if path.startswith("assets/") else "no-cache"
        return FileResponse(found, media_type=MEDIA[found.suffix], headers={"cache-control": caching})

    return Guard(app, port, keys)


async def take_drop(bench: Bench, keys: Keys, request: Request) -> Response:
    """One file of a dropped set, or the end of the set; refused before it is read where it is too large."""
    given = request.headers.get("authorization", "")
    if not given.startswith("Bearer ") or not keys.opens(given.removeprefix("Bearer ")):
        return _refused(403, "The token is missing or not this start's.")
    length = request.headers.get("content-length", "")
    if not length.isdigit():
        return _refused(411, "The length of the file must be announced.")
    if int(length) > DROP_LIMIT:
        return _refused(413, f"A dropped file must be at most {DROP_LIMIT // 2**20} MB, got {int(length) / 2**20:.0f} MB.")
    name, word = request.query_params.get("name", ""), request.query_params.get("set", "")
    try:
        if name:
            mine = word or secrets.token_hex(8)
            await bench.drops.receive(bench.drops.place(name, mine), mine, request.stream(), int(length))
            if word:
                return Response(status_code=204)
            word = mine
        found = await bench.take_measured(*bench.drops.settle(word))
    except TooLarge:
        return _refused(413, f"A dropped set must be at most {DROP_LIMIT // 2**20} MB.")
    except EvenfieldError as error:
        return _refused(400, str(error))
    return JSONResponse({"measured": found})


def _refused(status: int, text: str) -> Response:
    return JSONResponse({"error": text}, status, headers={"connection": "close"})


async def talk(bench: Bench, websocket: Any, keys: Keys) -> None:
    """One page's socket, until it closes or does not read."""
    client = Client(bench, keys)
    bench.clients.add(client)
    sending = asyncio.create_task(_send(client, websocket))
    hearing = asyncio.create_task(_hear(client, websocket))
    try:
        await asyncio.wait({sending, hearing}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        bench.clients.discard(client)
        client.close()
        for task in (sending, hearing):
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError, Exception):
                await task


async def _hear(client: Client, websocket: WebSocket) -> None:
    while True:
        try:
            header, _ = decode(await websocket.receive_bytes())
        except (WebSocketDisconnect, RuntimeError):
            return
        except (DataError, KeyError):
            with contextlib.suppress(RuntimeError):
                await websocket.close(4400, "not a frame")
            return
        await client.hear(header)


async def _send(client: Client, websocket: WebSocket) -> None:
    while True:
        try:
            frame = await client.outbox.get()
            await asyncio.wait_for(websocket.send_bytes(frame), 10.0)
        except (TooSlow, TimeoutError):
            with contextlib.suppress(RuntimeError, TimeoutError):
                await asyncio.wait_for(websocket.close(4008, "too slow"), 1.0)
            return
        except (WebSocketDisconnect, RuntimeError):
            return
