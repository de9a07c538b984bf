"""The service manager's notification socket (sd_notify(3)); silent without one."""

import os
import socket


def tell_service(text: str) -> None:
    """Send one notification; never raises, for no move may depend on it."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as notify:
            notify.connect(address)
            notify.sendall(text.encode())
    except OSError:
        return
