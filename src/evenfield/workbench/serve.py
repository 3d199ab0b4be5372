"""Opening the workbench: a free port on this machine, a token, the server, the browser."""

from __future__ import annotations

import contextlib
import socket
import webbrowser
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from evenfield.base.errors import DataError, message
from evenfield.workbench.bench import Bench

if TYPE_CHECKING:
    import uvicorn

HOST = "127.0.0.1"


def open_workbench(
    target: str | Path = ".", *, browser: bool = True, port: int = 0, solve: bool = True, say: Callable[[str], object] = print
) -> None:
    """Serve the workbench until interrupted.

    Parameters
        target : a design file, or a folder of them
        browser : open it in the browser
        port : 0 picks a free one
        solve : solve designs by themselves when they rest
        say : told the address
    Raises DataError where there is nothing to open, or the port is taken.
    """
    import uvicorn

    from evenfield.workbench.app import LARGEST_MESSAGE, make_app
    from evenfield.workbench.key import Keys, last_port

    folder, first = place_of(Path(target))
    bench = Bench(folder, first)
    bench.solve_at_rest = solve
    with again_or_free(port, last_port(folder)) as listening:
        number = listening.getsockname()[1]
        # the same place as before: a page left open finds it; the key to it is new
        keys = Keys(folder, number)
        app = make_app(bench, number, keys)
        config = uvicorn.Config(
            app, log_level="warning", access_log=False, ws_max_size=LARGEST_MESSAGE, ws_per_message_deflate=False,
            server_header=False, date_header=False, timeout_graceful_shutdown=2,
        )  # fmt: skip
        address = f"http://{HOST}:{number}/#token={keys.token}" + (f"&design={first}" if first else "")
        server = make_server(config, (lambda: webbrowser.open(address)) if browser else (lambda: None))
        say(f"Workbench: {address}")
        with contextlib.suppress(KeyboardInterrupt):
            server.run(sockets=[listening])


def place_of(target: Path) -> tuple[Path, str | None]:
    """Folder and first design of what was named. Raises DataError where it is neither."""
    if target.is_dir():
        return target, None
    if target.suffix in (".yaml", ".yml") and target.is_file():
        return target.parent, target.name
    raise DataError(message("DESIGN", "a design file (.yaml) or a folder", str(target), fix="evenfield open ."))


def bound_socket(port: int) -> socket.socket:
    """A listening socket of this machine only. Raises DataError when the port is taken."""
    found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        found.bind((HOST, port))
        found.listen(64)
    except OSError as error:
        found.close()
        raise DataError(message("--port", "free", f"{port}: {error.strerror}", fix="no --port, which picks a free one")) from None
    return found


def again_or_free(port: int, last: int | None) -> socket.socket:
    """The port asked for; else that of the last start where it is free, else any free one."""
    if port == 0 and last is not None:
        with contextlib.suppress(DataError):
            return bound_socket(last)
    return bound_socket(port)


def make_server(config: uvicorn.Config, ready: Callable[[], object]) -> uvicorn.Server:
    """A server that says when it answers."""
    import uvicorn

    class Server(uvicorn.Server):
        """Calls `ready` once the socket listens."""

        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            if self.started:
                ready()

    return Server(config)
