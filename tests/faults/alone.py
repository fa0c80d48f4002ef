"""Runs the desk and the commands on a machine whose only way out counts what goes there: ``python -m tests.faults.alone``.

Started in a network namespace of its own (Linux, ``unshare --net``). Prints one JSON object: packets sent by what the
program did, and by one packet of our own, which shows that the counter counts.
"""

from __future__ import annotations

import json
import socket
import subprocess
import sys
from contextlib import redirect_stdout
from pathlib import Path

from tests.browser.desk_server import free_port, start
from tests.desk_attacks import FOREIGN, ask, begin, open_socket, page_of, put_file

WAY_OUT = "wayout0"


def set_up() -> None:
    """A loopback, and a way out that leads everywhere and nowhere."""
    Path("/proc/sys/net/ipv6/conf/default/disable_ipv6").write_text("1")
    for line in (
        "link set lo up", f"link add {WAY_OUT} type veth peer name {WAY_OUT}x", f"addr add 192.0.2.2/24 dev {WAY_OUT}",
        f"link set {WAY_OUT} up", f"link set {WAY_OUT}x up", f"route add default via 192.0.2.1 dev {WAY_OUT}",
        f"neigh add 192.0.2.1 lladdr 02:00:00:00:00:01 dev {WAY_OUT}",
    ):  # fmt: skip
        subprocess.run(["ip", *line.split()], check=True)


def sent() -> int:
    """Packets that went out."""
    counted = Path("/proc/self/net/dev").read_text().split(f"{WAY_OUT}:")[1].splitlines()[0].split()
    return int(counted[9])


def run(*words: object) -> None:
    """A command of the program, whatever it answers."""
    from audit.cli import main

    sys.argv = ["photo-audit", *map(str, words)]
    try:
        with redirect_stdout(sys.stderr):
            main()
    except SystemExit as ended:
        print(*words, "->", ended.code, file=sys.stderr)


def use_desk(book: Path, settings: Path | None, port: int) -> int:
    """Everything that made the server look for its own address; how many sockets its own pages opened."""
    process = start(book, port, settings=settings)
    address, opened = f"http://127.0.0.1:{port}", 0
    try:
        for origin in (address, FOREIGN, "http://localhost", "http://192.0.2.2:1", None):
            found = open_socket(address, origin)
            if found is not None:
                with found:
                    begin(found)
                    page = page_of(found)
                    opened += page is not None
                    put_file(address, page or "", b"x", origin or "")
            ask(address, "/", Origin=origin or "null")
            ask(address, "/_stcore/host-config", Origin=origin or "null")
    finally:
        process.terminate()
        process.wait(20)
    return opened


def main() -> None:
    """All of it."""
    folder = Path(sys.argv[1])
    set_up()
    book, photos = folder / "book", folder / "photos"
    run("start", book, "--plan", folder / "plan.csv")
    run("visit", book, photos, "--kind", "commissioning", "--on", "2026-06-16", "--workers", 2)
    run("sign", book, "--by", "Ada Example")
    run("verify", book)
    run("handover", book, "-o", folder / "package")
    opened = use_desk(book, None, free_port())
    port = free_port()
    settings = folder / "desk.toml"
    settings.write_text(settings.read_text().replace("PORT", str(port)))
    settings.chmod(0o600)
    use_desk(book, settings, port)
    of_program = sent()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as own:
        own.sendto(b"x", ("198.51.100.1", 9))
    print(json.dumps({"opened": opened, "sent": of_program, "own": sent() - of_program}))


if __name__ == "__main__":
    main()
