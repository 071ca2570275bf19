"""The web service inside this process: on a socket that we bind, with errors as our own sentences."""

from __future__ import annotations

import logging
import os
import socket
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from service.errors import BadSettings

if TYPE_CHECKING:
    import uvicorn

    from service.wiring import Wiring

GRACE_S = 5
"""How long open requests (event streams) may take to end after we were asked to stop."""


def _nothing() -> None:
    return None


class Server:
    """uvicorn with one of our apps on one socket; `on_ready` is called once it can be asked."""

    def __init__(
        self,
        wiring: Wiring,
        listener: socket.socket,
        *,
        log_level: str = "warning",
        on_ready: Callable[[], None] = _nothing,
    ) -> None:
        import uvicorn

        from service.web.app import create_app

        self._listener = listener
        self._app = create_app(wiring)
        self._on_ready = on_ready
        self._failure: BaseException | None = None
        config = uvicorn.Config(
            self._watched,
            interface="asgi3",
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
        logging.getLogger("uvicorn.error").addFilter(_is_news)
        try:
            self._server.run(sockets=[self._listener])
        except SystemExit:  # uvicorn's way to say that the start failed; its code would read as a verdict
            raise self._failure or RuntimeError("the web server could not start") from None
        finally:
            self._listener.close()

    def stop(self) -> None:
        """Ask it to stop; `run` returns soon after."""
        self._server.should_exit = True

    async def _watched(self, scope: Any, receive: Any, send: Any) -> None:
        """The app, with an eye on its start: a failure is kept as it is, not as the text of a traceback."""
        if scope["type"] != "lifespan":
            await self._app(scope, receive, send)
            return

        async def watched_send(message: Any) -> None:
            await send({"type": message["type"]})
            if message["type"] == "lifespan.startup.complete":
                self._on_ready()

        try:
            await self._app(scope, receive, watched_send)
        except BaseException as error:
            self._failure = error
            raise


def _is_news(record: logging.LogRecord) -> bool:
    """A failed start is told by our own sentence."""
    return "startup failed" not in record.getMessage()


def bind(host: str, port: int) -> socket.socket:
    """A listening socket on loopback; port 0 takes a free one.

    Raises:
        BadSettings: another program listens there, or the address is not this machine's.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=128)
    except OSError as error:
        why = os.strerror(error.errno) if error.errno else str(error)
        raise BadSettings(f"cannot listen on {host} port {port}: {why}") from None


def base_url(listener: socket.socket) -> str:
    """Where the service can be reached."""
    host, port = listener.getsockname()[:2]
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"


@contextmanager
def served(wiring: Wiring) -> Iterator[str]:
    """The service in a thread of this process while the block runs; yields its address once it can be asked.

    Raises:
        ServiceError: why it could not start.
    """
    listener = bind("127.0.0.1", 0)
    url = base_url(listener)
    ready = threading.Event()
    server = Server(wiring, listener, on_ready=ready.set)
    with ThreadPoolExecutor(1, thread_name_prefix="service") as threads:
        serving = threads.submit(server.run)
        serving.add_done_callback(lambda _: ready.set())
        ready.wait()
        try:
            if not serving.done():
                yield url
        finally:
            server.stop()
            serving.result()
