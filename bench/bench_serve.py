"""The page, warm, against the command in the same run: an ask, taps of 20 tablets, 50 who ask at once, memory over many asks.

Run: python bench/bench_serve.py [--quick]
Three processes, 12 machines, 5,000 draws, 100,000 faces, 60 pieces. Times by the clock, and CPU of the server where the system
tells it.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import httpx2
import numpy as np
from bench_quote import write_part, write_shop

PORT = 8599
ADDRESS = f"http://127.0.0.1:{PORT}"


def browser() -> tuple[httpx2.Client, str]:
    made = httpx2.Client(base_url=ADDRESS, follow_redirects=True, timeout=600)
    return made, re.search(r'name="token" value="(\w+)"', made.get("/ask").text)[1]


def brought(client: httpx2.Client, token: str, part: Path) -> str:
    shown = client.post("/ask/part", data={"token": token}, files={"file": ("part.stl", part.read_bytes())})
    return re.search(r'name="p" value="([\w-]+)"', shown.text)[1]


def ask(client: httpx2.Client, token: str, part: str) -> float:
    begun = time.perf_counter()
    shown = client.post("/ask/answer", data={"token": token, "p": part, f"qty-{part}": "60", f"finish-{part}": ""})
    while '"refresh" content="2"' in shown.text:
        time.sleep(0.02)
        shown = client.get(str(shown.url))
    assert "Ready by" in shown.text, shown.text[:500]
    return time.perf_counter() - begun


def cpu_s(process: int) -> float:
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def resident_mb(process: int) -> float:
    return int(re.search(r"VmRSS:\s+(\d+)", Path(f"/proc/{process}/status").read_text())[1]) / 1024


def taps_ms(tablets: int, each: int) -> np.ndarray:
    def tablet(number: int) -> list[float]:
        client, token = browser()
        took = []
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


def main() -> None:
    quick = "--quick" in sys.argv
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_shop(folder)
        part = folder / "part.stl"
        write_part(part)
        command = [sys.executable, "-m", "calib"]
        served = subprocess.Popen(
            [*command, "serve", "--shop", name, "--port", str(PORT)], stdout=subprocess.PIPE, text=True
        )
        try:
            assert served.stdout
            assert served.stdout.readline().startswith("Open")
            client, token = browser()
            mine = brought(client, token, part)
            ask(client, token, mine)
            warm, cold, cpu = [], [], []
            for _ in range(3):
                before = cpu_s(served.pid)
                warm.append(ask(client, token, mine))
                cpu.append(cpu_s(served.pid) - before)
                begun = time.perf_counter()
                subprocess.run(
                    [*command, "quote", str(part), "--qty", "60", "--shop", name], check=True, stdout=subprocess.DEVNULL
                )
                cold.append(time.perf_counter() - begun)
            print(f"ask: warm {min(warm):.2f} s (CPU {min(cpu):.2f} s), by command {min(cold):.2f} s: "
                  f"{min(warm) / min(cold):.2f} of it")  # fmt: skip
            took = taps_ms(20, 5 if quick else 30)
            print(
                f"taps of 20 tablets: half within {np.median(took):.0f} ms, 95 of 100 within {np.quantile(took, 0.95):.0f} ms"
            )
            with ThreadPoolExecutor(50) as pool:
                waited = list(pool.map(lambda _: ask(*browser(), mine), range(10 if quick else 50)))
            print(f"{len(waited)} at once: all answered, the last after {max(waited):.0f} s")
            asks, sizes = (20 if quick else 2000), [resident_mb(served.pid)]
            for number in range(asks):
                ask(client, token, mine)
                if number % (asks // 4) == asks // 4 - 1:
                    sizes.append(resident_mb(served.pid))
            print(f"memory over {asks} asks: {', '.join(f'{size:.0f}' for size in sizes)} MB")
        finally:
            served.terminate()
            served.wait()


if __name__ == "__main__":
    main()
