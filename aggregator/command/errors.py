"""What a command tells its user when it cannot go on."""

from __future__ import annotations

import errno
import socket


class UserError(Exception):
    """One sentence that says what is wrong and what to do; the command ends with exit code 2 and no traceback."""


def port_taken(error: OSError, host: str, port: int, what: str, option: str) -> UserError:
    """The sentence for an address that cannot be bound."""
    if error.errno == errno.EADDRINUSE:
        return UserError(
            f"port {port} on {host} is in use, {what} cannot start: stop what uses it or choose another with {option}"
        )
    if isinstance(error, socket.gaierror):
        return UserError(f"{host} is no address of this machine, so {what} cannot start; choose one of its own")
    if error.errno in (errno.EADDRNOTAVAIL, errno.EACCES):
        return UserError(f"{what} cannot listen on {host}:{port} ({error.strerror}); choose another with {option}")
    return UserError(f"{what} cannot start on {host}:{port}: {error}")
