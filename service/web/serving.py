"""The app behind a real socket: until a signal comes, or while a block runs."""

from __future__ import annotations

import signal
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

import uvicorn

from service.errors import BadSettings, ServiceError
from service.settings import Settings, bind_address
from service.web.app import create_app
from service.wiring import Wiring, build

GRACE_S = 5
"""For requests that are being answered when the service is stopped; event streams end at once."""


class _Server(uvicorn.Server):
    """Tells when it is ready, and sends watchers of events home before it waits for connections to end."""

    def __init__(self, config: uvicorn.Config, wiring: Wiring, on_ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._wiring = wiring
        self._on_ready = on_ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if not self.should_exit:
            self._on_ready()

    def handle_exit(self, sig: int, _frame: FrameType | None) -> None:
        """A signal ends `serve` as a return, not as an exit by signal: there is more to do after it."""
        if self.should_exit and sig == signal.SIGINT:
            self.force_exit = True
        self.should_exit = True

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._wiring.journal.close()
        await super().shutdown(sockets)


def serve(
    settings: Settings, *, on_ready: Callable[[str], None] = lambda _url: None, wiring: Wiring | None = None
) -> None:
    """Serve until SIGTERM or SIGINT. `on_ready` gets the address, e.g. "http://127.0.0.1:8320".

    Raises:
        BadSettings: the host is not loopback and there are no tokens, or the port is taken.
        BadStationsFile: the stations cannot be loaded.
        ServiceError: the service could not start, e.g. another one works on the same data folder.
    """
    wiring = wiring or build(settings)
    wiring.access.require_tokens(settings.host)
    with _listening(settings) as door:
        _run(_server(wiring, door, on_ready), door, wiring)


@contextmanager
def serving(wiring: Wiring) -> Iterator[str]:
    """The same in a thread of this process; yields the address. Raises as `serve` does."""
    wiring.access.require_tokens(wiring.settings.host)
    ready = threading.Event()
    failed: list[BaseException] = []
    with _listening(wiring.settings) as door:
        server = _server(wiring, door, lambda _url: ready.set())

        def work() -> None:
            try:
                _run(server, door, wiring)
            except BaseException as error:  # noqa: BLE001 - handed to the caller's thread, not hidden
                failed.append(error)
            finally:
                ready.set()

        thread = threading.Thread(target=work, name="http", daemon=True)
        thread.start()
        ready.wait()
        try:
            if failed:
                raise failed[0]
            yield _address(door, tls=bool(wiring.settings.tls_cert))
        finally:
            server.should_exit = True
            thread.join(timeout=30)


def _server(wiring: Wiring, door: socket.socket, on_ready: Callable[[str], None]) -> _Server:
    settings = wiring.settings
    config = uvicorn.Config(
        create_app(wiring),
        proxy_headers=bool(settings.proxies),
        forwarded_allow_ips=list(settings.proxies),
        ssl_certfile=settings.tls_cert,
        ssl_keyfile=settings.tls_key,
        log_config=None,
        access_log=False,
        lifespan="on",
        server_header=False,
        timeout_graceful_shutdown=GRACE_S,
    )
    return _Server(config, wiring, lambda: on_ready(_address(door, tls=bool(settings.tls_cert))))


def _run(server: _Server, door: socket.socket, wiring: Wiring) -> None:
    wiring.start()  # here rather than in the lifespan, where its error would end the process
    try:
        server.run(sockets=[door])
    except SystemExit:
        raise ServiceError("the service could not start; its log has the details") from None
    finally:
        wiring.close()


@contextmanager
def _listening(settings: Settings) -> Iterator[socket.socket]:
    host, _ = bind_address(settings.host)
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        door = socket.create_server((host, settings.port), family=family, backlog=128)
    except OSError as error:
        raise BadSettings(
            f"cannot listen on {host} port {settings.port}: {error.strerror}; give another --port"
        ) from error
    # asyncio switches Nagle's delay (40 ms an answer) off only where the protocol is named
    with socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP, fileno=door.detach()) as named:
        yield named


def _address(door: socket.socket, tls: bool = False) -> str:
    host, port = door.getsockname()[:2]
    return f"http{'s' if tls else ''}://{f'[{host}]' if ':' in host else host}:{port}"
