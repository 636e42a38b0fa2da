"""A machine with no way out: runs what is said there and tells what tried to leave it.

Started as a script by :func:`started` in namespaces of its own (network, mounts,
processes), so nothing on the real machine is touched. There

* every address that is not this machine's leads to the loopback interface, where a raw
  socket reads each packet, whoever sent it;
* the only name server answers every name with an address that nobody has (RFC 5737) and
  writes down what was asked;
* the whole disk lies under an overlay, so every file that anybody writes is seen.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import struct
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from ipaddress import ip_address
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
NOBODYS = bytes((192, 0, 2, 1))
HOME = Path("/home/somebody")
WORK = HOME / "work"
DRIVER = Path("/driver")
"""Home and temporary folder of what only plays the person: the browser."""
ETH_P_ALL, ETH_P_IP, ETH_P_IPV6 = 0x0003, 0x0800, 0x86DD
LINGER_S = 0.3
"""After a command's end: packets still on their way are read."""


@dataclass
class Seen:
    """What left, or tried to: names asked for, addresses sent to, files written."""

    names: list[str] = field(default_factory=list)
    addresses: list[str] = field(default_factory=list)
    files: list[str] = field(default_factory=list)
    status: int | None = None
    said: str = ""


def started(commands: dict[str, list[str]], *, brought: list[Path]) -> dict[str, Seen]:
    """Run each command there, one after the other; what was seen of each, by name.

    Copies of the files `brought` lie in its work folder.
    """
    told = {"commands": commands, "brought": [str(path) for path in brought]}
    done = subprocess.run(
        [*unshare(), sys.executable, __file__],
        input=json.dumps(told), capture_output=True, text=True, timeout=600, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return {name: Seen(**seen) for name, seen in json.loads(done.stdout).items()}


def unshare() -> list[str]:
    """The command before a command that runs in namespaces of its own."""
    user = [] if os.geteuid() == 0 else ["--map-root-user"]
    own = ["--net", "--mount", "--pid", "--fork", "--kill-child"]
    return [shutil.which("unshare") or "unshare", *user, *own]


def why_not() -> str:
    """Why it cannot be done on this machine; empty where it can."""
    if shutil.which("ip") is None:
        return "the command ip is missing: install Debian's package iproute2"
    tried = subprocess.run([*unshare(), "true"], capture_output=True, text=True, check=False)
    return f"no namespaces here: {tried.stderr.strip()}" if tried.returncode else ""


class Watch:
    """The name server and the reader of packets, each in its thread."""

    def __init__(self) -> None:
        self.names: list[str] = []
        self.addresses: list[str] = []
        self._server = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._server.bind(("127.0.0.1", 53))
        self._packets = socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM, socket.htons(ETH_P_ALL))
        self._packets.bind(("lo", ETH_P_ALL))
        for work in (self._answer, self._read):
            threading.Thread(target=work, daemon=True).start()

    def _answer(self) -> None:
        while True:
            asked, sender = self._server.recvfrom(4096)
            name, end = _question(asked)
            self.names.append(name)
            kind = struct.unpack_from(">H", asked, end)[0]
            answers = int(kind == 1)  # an IPv4 address is wanted
            head = asked[:2] + struct.pack(">HHHHH", 0x8180, 1, answers, 0, 0)
            body = b"\xc0\x0c" + struct.pack(">HHIH", 1, 1, 60, 4) + NOBODYS if answers else b""
            self._server.sendto(head + asked[12 : end + 4] + body, sender)

    def _read(self) -> None:
        while True:
            packet, (_, protocol, *_) = self._packets.recvfrom(65535)
            if protocol == ETH_P_IP:
                to = ip_address(packet[16:20])
            elif protocol == ETH_P_IPV6:
                to = ip_address(packet[24:40])
            else:
                continue
            if not to.is_loopback and str(to) not in self.addresses:
                self.addresses.append(str(to))

    def taken(self) -> tuple[list[str], list[str]]:
        """What came since the last time."""
        time.sleep(LINGER_S)
        names, self.names = self.names, []
        addresses, self.addresses = self.addresses, []
        return sorted(set(names)), addresses


def _question(asked: bytes) -> tuple[str, int]:
    """The name that a DNS message asks for, and where its kind stands."""
    labels, at = [], 12
    while length := asked[at]:
        labels.append(asked[at + 1 : at + 1 + length].decode("latin-1"))
        at += length + 1
    return ".".join(labels), at + 1


def _run(*command: str | Path) -> None:
    subprocess.run([str(part) for part in command], check=True, stdout=sys.stderr)


def _routes() -> None:
    """Every address leads to this machine."""
    _run("ip", "link", "set", "lo", "up")
    _run("ip", "route", "add", "local", "0.0.0.0/0", "dev", "lo")
    if Path("/proc/net/if_inet6").read_text():
        _run("ip", "-6", "route", "add", "local", "::/0", "dev", "lo")


def _disk() -> tuple[Path, Path]:
    """The disk as it is, under an overlay: its root, and where what is written lands."""
    base = Path("/mnt")
    _run("mount", "--make-rprivate", "/")
    _run("mount", "-t", "tmpfs", "tmpfs", base)
    top, work, root = base / "top", base / "work", base / "root"
    for folder in (top, work, root):
        folder.mkdir()
    layers = f"lowerdir=/,upperdir={top},workdir={work}"
    _run("mount", "-t", "overlay", "overlay", "-o", layers, root)
    _run("mount", "-t", "proc", "proc", root / "proc")
    _run("mount", "--rbind", "/sys", root / "sys")
    _run("mount", "--rbind", "/dev", root / "dev")
    for needed in {ROOT, Path(sys.prefix), Path(sys.base_prefix)}:
        if needed.stat().st_dev != Path("/").stat().st_dev:  # on another disk
            inside = root / needed.relative_to("/")
            inside.mkdir(parents=True, exist_ok=True)
            _run("mount", "--bind", needed, inside)
    (root / "etc" / "resolv.conf").unlink(missing_ok=True)
    (root / "etc" / "resolv.conf").write_text("nameserver 127.0.0.1\noptions timeout:2\n")
    (root / "etc" / "nsswitch.conf").write_text("hosts: files dns\npasswd: files\ngroup: files\n")
    for folder in (WORK, DRIVER):
        (root / folder.relative_to("/")).mkdir(parents=True)
    return root, top


def _written(top: Path) -> dict[str, int]:
    """Everything but folders that was written, with the time of its last change, ns."""
    found = {}
    for path in top.rglob("*"):
        inside = Path("/") / path.relative_to(top)
        folder = path.is_dir() and not path.is_symlink()
        if folder or inside.is_relative_to(DRIVER):
            continue
        found[str(inside)] = path.lstat().st_mtime_ns
    return found


def _inside(command: list[str], root: Path) -> tuple[int, str]:
    """Run one command on the covered disk, as a person with a new account.

    Not even CI is handed on: some libraries keep quiet only there.
    """
    kept = {name: os.environ[name] for name in ("PATH", "LANG") if name in os.environ}
    done = subprocess.run(
        ["chroot", root, "env", "-C", str(WORK), *command],
        env={**kept, "HOME": str(HOME), "PYTHONDONTWRITEBYTECODE": "1", "PYTHONPATH": str(ROOT)},
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        text=True, timeout=300, check=False,
    )  # fmt: skip
    return done.returncode, done.stdout[-4000:]


def main() -> None:
    """Run the commands that standard input names; what was seen goes out as JSON."""
    told = json.load(sys.stdin)
    _routes()
    root, top = _disk()
    for path in told["brought"]:
        shutil.copy(path, root / WORK.relative_to("/"))
    watch = Watch()
    seen = {}
    for name, command in told["commands"].items():
        before = _written(top)
        status, said = _inside(command, root)
        names, addresses = watch.taken()
        files = [path for path, at in _written(top).items() if before.get(path) != at]
        seen[name] = Seen(names, addresses, files, status, said).__dict__
    print(json.dumps(seen))


if __name__ == "__main__":
    main()
