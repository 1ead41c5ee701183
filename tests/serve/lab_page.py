"""A browser in a small lab's page, and what it shows."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import trimesh
from starlette.testclient import TestClient

from calib.serve.access import read_access
from calib.serve.app import make_app
from calib.serve.site import Site

HOST = "http://127.0.0.1"


@dataclass
class Page:
    """The lab's folder and a browser that is in as the lead."""

    folder: Path
    site: Site
    browser: TestClient

    def token(self, address="/ask"):
        return re.search(r'name="token" value="(\w+)"', self.browser.get(address).text)[1]

    def send(self, address, fields=None, **more):
        """A form of ours, and the page that comes at the end of it, however long that takes."""
        shown = self.browser.post(address, data={"token": self.token(), **(fields or {})}, **more)
        return self.waited(shown)

    def waited(self, shown):
        """The page at the end of the line."""
        while '"refresh" content="2"' in shown.text:
            time.sleep(0.05)
            shown = self.browser.get(str(shown.url))
        return shown

    def bring(self, name="box.stl", data=None, before=(), **fields):
        data = box_stl() if data is None else data
        return self.send("/ask/part", {"p": list(before), **fields}, files={"file": (name, data)})

    def ask(self, quantity=3, **fields):
        token = re.search(r"p=([\w-]+)", str(self.bring().url))[1]
        return self.send("/ask/answer", {"p": token, f"qty-{token}": str(quantity), f"finish-{token}": "", **fields})


def box_stl(sides=(40, 30, 20)):
    return trimesh.creation.box(sides).export(file_type="stl")


def words_of(html):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def open_page(folder, is_open=True):
    site = Site(folder, read_access(folder, is_open), lambda error, command: (f"a fault: {type(error).__name__}", ""))
    client = TestClient(make_app(site, {"127.0.0.1", "localhost"}), base_url=HOST, raise_server_exceptions=True)
    return site, client


class Served:
    """``calib serve`` as a program of its own, on a port that stays over its restarts."""

    def __init__(self, folder):
        self.folder = folder
        with socket.socket() as asked:
            asked.bind(("127.0.0.1", 0))
            self.port = asked.getsockname()[1]
        self.address = f"http://127.0.0.1:{self.port}"
        self.process = None

    def start(self):
        words = [sys.executable, "-m", "calib", "serve", "--shop", str(self.folder), "--port", str(self.port)]
        self.process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        line = self.process.stdout.readline()
        assert line.startswith("Open "), self.process.stderr.read()
        return self

    def kill(self):
        self.process.kill()
        self.close()

    def end(self):
        """SIGTERM; returns the exit status and what was said of it."""
        self.process.terminate()
        answer = self.process.communicate(timeout=60)[1]
        return self.process.returncode, answer

    def close(self):
        self.process.communicate(timeout=60)
