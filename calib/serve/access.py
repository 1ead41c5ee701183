"""Who may open which page: one secret link for each role, its QR code, signed cookies, and a token in every form."""

from __future__ import annotations

import hashlib
import hmac
import io
import json
import os
import secrets
from dataclasses import dataclass
from pathlib import Path

import segno

from calib.errors import StoreError

FILE = ".calib-serve.json"  # in the shop's folder, for its owner alone: links on paper stay good over a restart
ROLES = {"ask": ("ask", "floor"), "bench": ("bench", "floor"), "lead": ("ask", "bench", "monday", "floor")}


@dataclass(frozen=True)
class Session:
    """role : one of ROLES; name : random, what the form token is made of"""

    role: str
    name: str

    def may(self, room: str) -> bool:
        return room in ROLES[self.role]

    @property
    def home(self) -> str:
        return f"/{ROLES[self.role][0]}"


@dataclass(frozen=True)
class Access:
    """key : signs cookies and tokens; links : role -> secret word of its link; is_open : whoever comes is the lead"""

    key: bytes
    links: dict[str, str]
    is_open: bool

    @property
    def cookie_name(self) -> str:
        """One for each shop: a browser keeps one jar for all ports of a machine."""
        return f"calib-{self._sign('name', '')[:8]}"

    def cookie(self, session: Session) -> str:
        text = f"{session.role}.{session.name}"
        return f"{text}.{self._sign('cookie', text)}"

    def session_of(self, cookie: str) -> Session | None:
        """The session of a cookie that was given here; None of any other."""
        text, _, signature = cookie.rpartition(".")
        role, _, name = text.partition(".")
        is_ours = hmac.compare_digest(signature.encode(), self._sign("cookie", text).encode())
        return Session(role, name) if is_ours and role in ROLES else None

    def token(self, session: Session) -> str:
        return self._sign("form", session.name)

    def is_token(self, session: Session, token: str) -> bool:
        return hmac.compare_digest(token.encode(), self.token(session).encode())

    def role_of_link(self, word: str) -> str | None:
        roles = [role for role, own in self.links.items() if hmac.compare_digest(own.encode(), word.encode())]
        return roles[0] if roles else None

    def _sign(self, what: str, text: str) -> str:
        return hmac.new(self.key, f"{what}\0{text}".encode(), hashlib.sha256).hexdigest()


def new_session(role: str) -> Session:
    return Session(role, secrets.token_hex(12))


def read_access(folder: Path, is_open: bool) -> Access:
    """The shop's key and links; made at the first call. Raises StoreError where the folder cannot be written."""
    path = folder / FILE
    try:
        if not path.exists():
            made = {"key": secrets.token_hex(32), "links": {role: secrets.token_urlsafe(15) for role in ROLES}}
            with os.fdopen(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "w") as out:
                json.dump(made, out)
        kept = json.loads(path.read_text(encoding="utf-8"))
        return Access(bytes.fromhex(kept["key"]), {role: kept["links"][role] for role in ROLES}, is_open)
    except OSError as error:
        raise StoreError(f"{path.name} cannot be kept in the shop's folder: {error.strerror}.", "Allow it.") from error
    except (ValueError, KeyError, TypeError) as error:
        raise StoreError(
            f"{path.name} in the shop's folder is damaged.", "Remove it: new links are made, old ones end."
        ) from error


def terminal_code(text: str) -> str:
    out = io.StringIO()
    segno.make(text, error="m").terminal(out, compact=True)
    return out.getvalue()


def svg_code(text: str, label: str) -> str:
    """An SVG element, dark on light whatever the page's colours, named for who cannot see it."""
    return str(
        segno.make(text, error="m").svg_inline(
            scale=4, border=4, dark="#000", light="#fff", svgclass="qr", lineclass=None, title=label, omitsize=False
        )
    )
