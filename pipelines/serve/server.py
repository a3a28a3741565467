"""``remanence serve``: the pages of one venue on its own network, until stopped."""

from __future__ import annotations

import ipaddress
from pathlib import Path

from remanence.pipelines.say import note
from remanence.pipelines.serve.password import password_path, read_password
from remanence.pipelines.sheets.refresh import load_venue
from remanence.shared.errors import RemanenceError

LOOPBACK = "127.0.0.1"
PORT = 8470
"""Free on most computers; not registered for anything."""


def is_loopback(host: str) -> bool:
    """Whether only this computer itself reaches an address."""
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def serve(
    given: str | Path, *, host: str = LOOPBACK, port: int = PORT,
    password_file: Path | None = None, certificate: Path | None = None, key: Path | None = None,
    language: str = "en", tells: bool = False,
) -> str:
    """Serve a venue's pages until SIGTERM or SIGINT.

    Parameters
    ----------
    given : str or Path
        The venue file or its folder.
    host, port : str, int
        Where to listen; default: where only this computer itself reaches it.
    password_file : Path, optional
        What ``--set-password`` wrote; default: ``secrets/serve.json`` beside the venue file.
    certificate, key : Path, optional
        For https; both or neither.
    language : str, default "en"
        Language of the pages.
    tells : bool, default False
        Look for a new report every minute, and tell whom ``[[tell]]`` names.

    Returns
    -------
    str
        What to print at the end.

    Raises
    ------
    RemanenceError
        The venue file is at fault, a package is missing, the password's file is open to others,
        or the address is in use.
    """
    venue, path = load_venue(given)
    secret = read_password(password_path(path, password_file))
    try:
        import uvicorn

        from remanence.pipelines.serve.app import Settings, make_app
    except ModuleNotFoundError as error:
        raise RemanenceError(
            f"serve needs the package {error.name}, which is missing; install all that it needs "
            'with pip install "remanence-locks[serve]"') from None
    if (certificate is None) is not (key is None):
        raise RemanenceError("--certificate and --key go together; give both or neither")
    for file in filter(None, (certificate, key)):
        if not file.is_file():
            raise RemanenceError(f"{file} does not exist")
    if tells and not venue.tells:
        raise RemanenceError(f"{path}: found no [[tell]] block, and --tell; add one, or leave "
                             "--tell out")
    secure = certificate is not None
    app = make_app(path, Settings(
        language=language, password=secret, secure=secure, loopback=is_loopback(host),
        tells=tells))
    name = f"[{host}]" if ":" in host else host
    note(f"{venue.name}: http{'s' if secure else ''}://{name}:{port}/ (end with Ctrl-C)")
    if secret is None:
        note("note: no password is set, so nothing can be entered; set one with: "
             f"remanence serve {path} --set-password")
    if not secure and not is_loopback(host):
        note("note: without --certificate and --key, who listens in on this network reads the "
             "password")
    config = uvicorn.Config(
        app, host=host, port=port, log_level="warning", access_log=False, server_header=False,
        ssl_certfile=certificate, ssl_keyfile=key, limit_concurrency=64, timeout_keep_alive=10,
        timeout_graceful_shutdown=5, proxy_headers=False)
    try:
        uvicorn.Server(config).run()
    except SystemExit:
        raise RemanenceError(f"{name}:{port} cannot be listened at; is it in use? Choose another "
                             "with --port") from None
    return "ended"
