"""The page, warm, against the command in the same run: an ask, taps of 20 tablets, 50 who ask at once, memory, slow senders.

Run: python bench/bench_serve.py [--quick] [--shop DIR] [ask] [taps] [line] [slow] [memory]
Without a word it does all. Three processes, 12 machines, 5,000 draws, 100,000 faces, 60 pieces (memory: one machine, 200
draws, boxes); --shop takes a copy of a lab with logs and a queue instead. Times by the clock, CPU of the server where the system
tells it, and the load of the machine, for both grow with it. Kills between taps and requests at random are tests: CALIB_LONG=1 makes them 200 and 10,000.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from threading import Barrier

import httpx2
import numpy as np
import trimesh
from bench_quote import write_part, write_shop

with socket.socket() as _asked:
    _asked.bind(("127.0.0.1", 0))
    PORT = _asked.getsockname()[1]
ADDRESS = f"http://127.0.0.1:{PORT}"


def browser() -> tuple[httpx2.Client, str]:
    made = httpx2.Client(base_url=ADDRESS, follow_redirects=True, timeout=600)
    return made, re.search(r'name="token" value="(\w+)"', made.get("/ask").text)[1]


def brought(client: httpx2.Client, token: str, part: Path) -> str:
    shown = client.post("/ask/part", data={"token": token}, files={"file": ("part.stl", part.read_bytes())})
    return re.search(r'name="p" value="([\w-]+)"', shown.text)[1]


def ask(client: httpx2.Client, token: str, part: str, quantity: int = 60) -> tuple[float, list[int]]:
    """Seconds until the answer, and the numbers in line that were shown meanwhile."""
    begun, numbers = time.perf_counter(), []
    shown = client.post("/ask/answer", data={"token": token, "p": part, f"qty-{part}": quantity, f"finish-{part}": ""})
    while '"refresh" content="2"' in shown.text:
        numbers += [int(number) for number in re.findall(r"You are number (\d+) in line", shown.text)]
        time.sleep(0.5)
        shown = client.get(str(shown.url))
    assert shown.status_code == 200, shown.text[:500]
    assert "Ready by" in shown.text, shown.text[:500]
    return time.perf_counter() - begun, numbers


def with_children(process: int) -> list[int]:
    """The server, and the processes that it began and that still run."""
    threads = Path(f"/proc/{process}/task").glob("*/children")
    children = " ".join(path.read_text() for path in threads).split()
    return [process, *(own for child in children for own in with_children(int(child)))]


def cpu_s(process: int) -> float:
    """Of the server and of what it began, ended or not [s]."""
    texts = [Path(f"/proc/{one}/stat").read_text().rpartition(")")[2].split() for one in with_children(process)]
    return sum(int(text) for fields in texts for text in fields[11:15]) / os.sysconf("SC_CLK_TCK")


def resident_mb(process: int) -> list[float]:
    """Of the server, and of each process that it began [MB]."""
    texts = [Path(f"/proc/{one}/status").read_text() for one in with_children(process)]
    return [int(re.search(r"VmRSS:\s+(\d+)", text)[1]) / 1024 for text in texts]


def taps_ms(tablets: int, each: int) -> np.ndarray:
    """Of taps that begin together: every tablet has its page open before the first of them taps. Shape (tablets * each,)."""
    ready = Barrier(tablets)

    def tablet(number: int) -> list[float]:
        client, token = browser()
        took = []
        ready.wait()
        for count in range(each):
            now = datetime.now(UTC).isoformat()
            tap = {"id": f"bench-{number:03d}-{count:04d}", "what": "start", "build_id": f"B{number}-{count}",
                   "stage": "file_prep", "at": now}  # fmt: skip
            begun = time.perf_counter()
            answer = client.post("/bench/taps", json={"now": now, "taps": [tap]}, headers={"x-token": token})
            took.append(1000 * (time.perf_counter() - begun))
            assert answer.json()["taken"] == [tap["id"]]
            time.sleep(1.0)  # nobody taps faster for long
        return took

    with ThreadPoolExecutor(tablets) as pool:
        return np.concatenate(list(pool.map(tablet, range(tablets))))


class Server:
    """The page of a folder, as a program of its own, and a browser in it."""

    def __init__(self, folder: Path) -> None:
        words = [sys.executable, "-m", "calib", "serve", "--shop", str(folder), "--port", str(PORT)]
        self.served = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        assert self.served.stdout
        assert self.served.stdout.readline().startswith("Open")

    def __enter__(self) -> int:
        return self.served.pid

    def __exit__(self, *_: object) -> None:
        self.served.terminate()
        self.served.wait()


def bench_ask(folder: Path, part: Path, quick: bool) -> None:
    with Server(folder) as process:
        client, token = browser()
        mine = brought(client, token, part)
        ask(client, token, mine)
        warm, cpu, cold, cold_cpu = [], [], [], []
        for _ in range(2 if quick else 5):
            before = cpu_s(process)
            warm.append(ask(client, token, mine)[0])
            cpu.append(cpu_s(process) - before)
            begun, spent = time.perf_counter(), os.times()
            words = [sys.executable, "-m", "calib", "quote", str(part), "--qty", "60", "--shop", str(folder)]
            subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
            cold.append(time.perf_counter() - begun)
            after = os.times()
            cold_cpu.append(after.children_user + after.children_system - spent.children_user - spent.children_system)
    print(f"ask: warm CPU {min(cpu):.2f} s (median {np.median(cpu):.2f}), by command {min(cold_cpu):.2f} s: "
          f"{np.median(cpu) / np.median(cold_cpu):.2f} of it; clock {min(warm):.2f} s, by command {min(cold):.2f} s")  # fmt: skip


def bench_taps(folder: Path, quick: bool) -> None:
    with Server(folder) as process:
        client, _ = browser()
        while '"refresh"' in client.get("/bench").text:
            time.sleep(0.5)
        before = cpu_s(process)
        took = taps_ms(20, 5 if quick else 30)
        spent = 1000 * (cpu_s(process) - before) / len(took)
    print(f"taps of 20 tablets: half within {np.median(took):.0f} ms, 95 of 100 within {np.quantile(took, 0.95):.0f} ms; "
          f"{spent:.0f} ms CPU each, with what is imported beside")  # fmt: skip


def bench_line(folder: Path, part: Path, quick: bool) -> None:
    count = 10 if quick else 50
    with Server(folder):
        mine = brought(*browser(), part)
        with ThreadPoolExecutor(count) as pool:
            took, numbers = zip(*pool.map(lambda _: ask(*browser(), mine), range(count)), strict=True)
    shown = sum(bool(own) for own in numbers)
    assert all(own == sorted(own, reverse=True) for own in numbers)
    print(f"{count} at once: all answered, {shown} saw their number (the largest {max(map(max, filter(None, numbers)))}), "
          f"the last after {max(took):.0f} s")  # fmt: skip


def bench_slow(folder: Path, quick: bool) -> None:
    """How long a page takes while 50 others send a file a byte a second, and 50 their headers so; those are ended."""
    with Server(folder):
        client, _ = browser()
        cookie = "; ".join(f"{name}={value}" for name, value in client.cookies.items())
        head = (f"POST /ask/part HTTP/1.1\r\nHost: 127.0.0.1:{PORT}\r\nCookie: {cookie}\r\nContent-Length: 1000000\r\n"
                "Content-Type: multipart/form-data; boundary=x\r\n\r\n"
                '--x\r\nContent-Disposition: form-data; name="file"; filename="a.stl"\r\n\r\n')  # fmt: skip

        def page_ms() -> float:
            begun = time.perf_counter()
            assert client.get("/ask").status_code == 200
            return 1000 * (time.perf_counter() - begun)

        alone = np.median([page_ms() for _ in range(20)])
        senders = [socket.create_connection(("127.0.0.1", PORT)) for _ in range(100)]
        for number, sender in enumerate(senders):
            sender.sendall(head.encode() if number % 2 else b"G")
        beside, ended = [], 0
        for _ in range(5 if quick else 30):
            for sender in list(senders):
                if is_closed(sender, b"-"):
                    senders.remove(sender)
                    ended += 1
            beside.append(page_ms())
            time.sleep(1.0)
        for sender in senders:
            sender.close()
    print(f"a page takes {alone:.0f} ms, beside 100 who send a byte a second {np.median(beside):.0f} ms, {max(beside):.0f} at most; "
          f"{ended} of the 50 who send headers so were ended within {len(beside)} s")  # fmt: skip


def is_closed(sender: socket.socket, byte: bytes) -> bool:
    """Whether the other side has closed; else one more byte is sent."""
    try:
        sender.sendall(byte)
        sender.setblocking(False)
        return sender.recv(100) == b""
    except BlockingIOError:
        return False
    except ConnectionError:
        return True
    finally:
        sender.setblocking(True)


def bench_memory(folder: Path, quick: bool) -> None:
    """Boxes of 12 faces, 200 draws, no question twice: what is looked for grows with the asks, not with the part."""
    text = (folder / "shop.toml").read_text()
    (folder / "shop.toml").write_text(f"{text}\n[quoting]\ndraws = 200\n" if "[quoting]" not in text else text)
    box, each = folder / "box.stl", 40
    asks = 40 if quick else 2000
    with Server(folder) as process:
        client, token = browser()
        sizes, before = [], cpu_s(process)
        for number in range(asks):
            if number % each == 0:
                trimesh.creation.box((40, 30, 20 + number / 100)).export(box)
                mine = brought(client, token, box)
            ask(client, token, mine, 1 + number % each)
            if (number + 1) % (asks // 10) == 0:
                now = resident_mb(process)
                sizes.append(sum(now))
                print(
                    f"  after {number + 1} asks {sum(now):.0f} MB ({' + '.join(f'{mb:.0f}' for mb in now)})", flush=True
                )
        spent = (cpu_s(process) - before) / asks
    print(
        f"memory over {asks} asks (boxes, 200 draws, {spent:.2f} s CPU each): {', '.join(f'{size:.0f}' for size in sizes)} MB"
    )


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("what", nargs="*", help="ask, taps, line, slow, memory")
    asked.add_argument("--quick", action="store_true")
    asked.add_argument("--shop", type=Path)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as name:
        part = Path(name, "part.stl")
        write_part(part)
        for what in given.what or ("ask", "taps", "line", "slow", "memory"):
            folder = Path(name, what)
            if given.shop:
                shutil.copytree(given.shop, folder)
            else:
                folder.mkdir()
                write_shop(folder, *((1, ["MEX"]) if what == "memory" else ()))
            if what in ("ask", "line"):
                (bench_ask if what == "ask" else bench_line)(folder, part, given.quick)
            else:
                {"taps": bench_taps, "slow": bench_slow, "memory": bench_memory}[what](folder, given.quick)
            print(f"  load {os.getloadavg()[0]:.1f}", flush=True)


if __name__ == "__main__":
    main()
