"""How is the page put on the network card, and on which one?

On this machine's own address (loopback) unless another is asked for; then a token opens it.
"""

import socket
from collections.abc import Callable, Iterable
from pathlib import Path

import uvicorn

from takewell.errors import SettingError
from takewell.page.app import application
from takewell.page.guard import Address, loopback

LOOPBACK = ("127.0.0.1", "localhost", "::1")
EVERYWHERE = ("", "0.0.0.0", "::")

PORT = 8753
"""Tried first; where it is taken and none was asked for, the system chooses one."""


def serve(
    *,
    host: str = "127.0.0.1",
    port: int | None = None,
    token: str | None = None,
    roots: Iterable[Path] | None = None,
    first: Path | None = None,
    opened: Callable[[str], None] | None = None,
) -> None:
    """Serve the page until it is stopped.

    Parameters
    ----------
    host : str
        Address to listen on.
    port : int, optional
    token : str, optional
        Needed for any address but this machine's own.
    roots : iterable of Path, optional
        The folders the page may look into.
    first : Path, optional
        The roll named first.
    opened : callable, optional
        Told the address, token included, once it answers.

    Raises
    ------
    SettingError
        If the address cannot be used, or leads out of this machine without a token.
    """
    if host in EVERYWHERE:
        raise SettingError(
            f"{host} means every address of this machine; name the one the page shall answer under, so that it can tell "
            "its own requests from others."
        )
    own = host in LOOPBACK
    if not own and not token:
        raise SettingError(f"{host} can be reached by others, so the page needs a token there.")
    listener = _listener(host, port)
    with listener:
        at = listener.getsockname()[1]
        shown = f"[{host}]" if ":" in host else host
        hosts = loopback(at) if own else frozenset({f"{shown}:{at}".lower()})
        app = application(Address(hosts, None if own else token), roots, first, at_once=False)
        config = uvicorn.Config(
            app,
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            timeout_graceful_shutdown=1,
            h11_max_incomplete_event_size=32 * 1024,
            limit_concurrency=200,
            lifespan="on",
        )
        if opened is not None:
            opened(f"http://{shown}:{at}/{'' if own else f'?token={token}'}")
        uvicorn.Server(config).run(sockets=[listener])


def _listener(host: str, port: int | None) -> socket.socket:
    ports = [port] if port is not None else [PORT, 0]
    error: OSError | None = None
    for wanted in ports:
        try:
            family = socket.AF_INET6 if ":" in host else socket.AF_INET
            listener = socket.socket(family, socket.SOCK_STREAM)
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                listener.bind((host, wanted))
                listener.listen(128)
            except OSError:
                listener.close()
                raise
            return listener
        except (OSError, OverflowError) as refused:
            error = refused if isinstance(refused, OSError) else OSError(str(refused))
    raise SettingError(
        f"The page cannot be served on {host}, port {ports[0]}: {(error and error.strerror) or error}; choose another with --port."
    )
