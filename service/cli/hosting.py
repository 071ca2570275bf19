"""The web service inside this process: on a socket that we bind, with errors as our own sentences."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from service.errors import BadSettings, ServiceError

if TYPE_CHECKING:
    import uvicorn

    from service.wiring import Wiring

GRACE_S = 5
"""How long open requests (event streams) may take to end after we were asked to stop."""


class Server:
    """uvicorn with one of our apps on one socket."""

    def __init__(self, wiring: Wiring, listener: socket.socket, *, log_level: str = "warning") -> None:
        import uvicorn

        from service.web.app import create_app

        self._listener = listener
        self._app = create_app(wiring)
        self._failure: ServiceError | None = None
        config = uvicorn.Config(
            self._noting_failures,
            lifespan="on",
            log_level=log_level,
            timeout_graceful_shutdown=GRACE_S,
            server_header=False,
        )
        self._server: uvicorn.Server = uvicorn.Server(config)

    def run(self) -> None:
        """Serve until asked to stop.

        Raises:
            ServiceError: why it could not start.
        """
        try:
            self._server.run(sockets=[self._listener])
        except SystemExit:  # uvicorn's way to say that the start failed; its code would read as a verdict
            if self._failure is None:
                raise RuntimeError("the web server could not start; its log says why") from None
        finally:
            self._listener.close()
        if self._failure is not None:
            raise self._failure

    def stop(self) -> None:
        """Ask it to stop; `run` returns soon after."""
        self._server.should_exit = True

    async def _noting_failures(self, scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] != "lifespan":
            await self._app(scope, receive, send)
            return

        async def without_traceback(message: Any) -> None:
            quiet = message["type"].endswith("failed") and isinstance(self._failure, ServiceError)
            await send({"type": message["type"]} if quiet else message)

        try:
            await self._app(scope, receive, without_traceback)
        except ServiceError as error:
            self._failure = error
            raise


def bind(host: str, port: int) -> socket.socket:
    """A listening socket on loopback; port 0 takes a free one.

    Raises:
        BadSettings: another program listens there, or the address is not this machine's.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=128)
    except OSError as error:
        raise BadSettings(f"cannot listen on {host} port {port}: {error.strerror}") from None


def base_url(listener: socket.socket) -> str:
    """Where the service can be reached."""
    host, port = listener.getsockname()[:2]
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"


@contextmanager
def served(wiring: Wiring) -> Iterator[str]:
    """The service in a thread of this process while the block runs; yields its address."""
    listener = bind("127.0.0.1", 0)
    url = base_url(listener)
    server = Server(wiring, listener)
    thread = threading.Thread(target=server.run, name="service", daemon=True)
    thread.start()
    try:
        yield url
    finally:
        server.stop()
        thread.join(GRACE_S + 5)
