"""Concealed sessions: each in an envelope that only its own code opens, so that who runs sessions sees one at a time.

Somebody who runs no sessions keeps study file and codes, and hands out a code on the day. An envelope holds the
session's prescription, enciphered with a keystream of SHAKE-256 under its code and sealed with an HMAC of SHA-256, so
that a changed envelope or another code does not open. Before it is opened it tells participant, period and study, and
nothing of the condition: every envelope of a study is equally long. The prescription is readable once it is open, since
a rig must be armed with it. No randomness here: codes come in.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
from typing import Final

from ebbset.models.contract.problems import UnusableFileError
from ebbset.models.contract.study_mark import SEALED_FORM
from ebbset.study.study_file import Session, Study

SUFFIX: Final = ".sealed"
CODE_BYTES: Final = 10
"""80 bits: nobody tries them all."""
_BLOCK: Final = 4_096


def code_text(secret: bytes) -> str:
    """A code as people copy it: letters and digits in groups of four.

    Args:
        secret: random bytes, a new draw for each envelope.
    """
    text = base64.b32encode(secret).decode()
    return "-".join(text[at : at + 4] for at in range(0, len(text), 4))


def envelope_name(session: Session) -> str:
    """File name of a session's envelope.

    Args:
        session: the session.
    """
    return f"{session.participant}-{session.period:02d}{SUFFIX}"


def size_of(study: Study) -> int:
    """Bytes that each envelope of a study holds, so that none tells its condition by its length.

    Args:
        study: the study.
    """
    longest = max(len(study.order_of(session).to_toml().encode()) for session in study.schedule)
    return _BLOCK * (1 + longest // _BLOCK)


def sealed(study: Study, session: Session, code: str, *, size: int) -> str:
    """The envelope of a session, as text.

    Args:
        study: the study.
        session: the session.
        code: code that opens it.
        size: as `size_of` says.
    """
    text = study.order_of(session).to_toml().encode()
    head = {"form": SEALED_FORM, "study": study.hash, "session": f"{session.participant}/{session.period}"}
    hidden = _ciphered(text + b"\n" * (size - len(text)), code, head["session"])
    told = {**head, "sealed": base64.b64encode(hidden).decode(), "tag": _tag(hidden, code, head)}
    return json.dumps(told, indent=1) + "\n"


def unsealed(text: str, code: str, *, what: str) -> str:
    """The prescription in an envelope, as TOML.

    Args:
        text: the envelope.
        code: its code; case, spaces and hyphens do not matter.
        what: name of the envelope for error messages.

    Raises:
        UnusableFileError: it is no envelope, it was changed, or the code is another one's.
    """
    try:
        told = json.loads(text)
        head = {name: str(told[name]) for name in ("form", "study", "session")}
        hidden = base64.b64decode(str(told["sealed"]), validate=True)
        tag = str(told["tag"])
    except (ValueError, KeyError, TypeError, RecursionError):
        raise UnusableFileError(f"{what}: no sealed session; allowed: a file that `ebbset study seal` wrote") from None
    if head["form"] != SEALED_FORM:
        raise UnusableFileError(f"{what}: form is {head['form'][:40]!r}; allowed: {SEALED_FORM!r}")
    if not hmac.compare_digest(tag.encode(), _tag(hidden, code, head).encode()):
        raise UnusableFileError(
            f"{what}: does not open; allowed: the code of session {head['session'][:80]}, for an unchanged envelope"
        )
    return _ciphered(hidden, code, head["session"]).decode().rstrip("\n") + "\n"


def _key(code: str, use: str) -> bytes:
    plain = "".join(code.upper().replace("-", " ").split())
    return hashlib.sha256(f"{SEALED_FORM}\n{use}\n{plain}".encode()).digest()


def _ciphered(data: bytes, code: str, session: str) -> bytes:
    """Data and keystream combined; doing it twice gives the data again. Each code is for one session and used once."""
    stream = hashlib.shake_256(_key(code, f"cipher {session}")).digest(len(data))
    return bytes(a ^ b for a, b in zip(data, stream, strict=True))


def _tag(hidden: bytes, code: str, head: dict[str, str]) -> str:
    covered = json.dumps(head, sort_keys=True).encode() + b"\n" + hidden
    return hmac.new(_key(code, "seal"), covered, hashlib.sha256).hexdigest()
