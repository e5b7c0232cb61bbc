"""One page as one file: its parts joined, its document and sound in it, nothing fetched from anywhere.

Conventions
-----------
The scripts are modules as they are written: each imports from those before it in `SCRIPTS`, on lines of their
own, and exports what others use. Joined they are one module: those lines go, and so does the word `export`.
All names of all scripts therefore differ.

The policy lets in the one script and the one style by their hashes, and nothing else: no request, no frame,
no form, no script that a name of a section might carry. Data are in blocks that are no scripts. What is a
`<` in the document is written as an escape of JSON, so nothing in it can end its block.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from importlib.resources import files
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from roomplan.rendering.passage_sound import PassageSound
    from roomplan.report.documents import Document

__all__ = ["SCRIPTS", "joined_script", "page_text"]

SCRIPTS = ("algebra.js", "figures.js", "state.js", "sound.js", "curves.js", "sheet.js", "main.js")

_IMPORT = re.compile(r"^import \{[^}]*\} from \"\./[a-z]+\.js\";\n", re.MULTILINE)
_EXPORT = re.compile(r"^export (?=(?:async )?(?:function|class|const) )", re.MULTILINE)
_PLACE = re.compile(r"<!-- (policy|title|style|data|script) -->")
_LINE = 76_000  # characters of sound on a line: some programs that pass a file on cannot take longer ones


def page_text(document: Document, sound: PassageSound | None) -> bytes:
    """Return the whole file.

    Parameters
    ----------
    document : dict
        `roomplan.page/1`.
    sound : PassageSound or None
        The sound that the document describes.
    """
    script, style = joined_script(), _part("page.css")
    policy = (
        f"default-src 'none'; script-src '{_hash(script)}'; style-src '{_hash(style)}'; "
        "img-src data: blob:; base-uri 'none'; form-action 'none'"
    )
    parts = {
        "policy": policy,
        "title": html.escape(document["title"]),
        "style": f"<style>{style}</style>",
        "data": _data(document, sound),
        "script": f'<script type="module">{script}</script>',
    }
    return _PLACE.sub(lambda found: parts[found[1]], _part("page.html")).encode("utf-8")


def joined_script() -> str:
    """Return all scripts as one module."""
    return "\n".join(_EXPORT.sub("", _IMPORT.sub("", _part(name))) for name in SCRIPTS)


def _part(name: str) -> str:
    return (files("roomplan.show.page") / name).read_text(encoding="utf-8")


def _hash(content: str) -> str:
    return f"sha256-{base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()}"


def _data(document: Document, sound: PassageSound | None) -> str:
    text = json.dumps(document, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    text = text.replace("<", r"\u003c")
    blocks = [f'<script type="application/json" id="document">{text}</script>']
    for number, component in enumerate(() if sound is None else sound.components):
        if component is not None:
            coded = base64.b64encode(component.content).decode("ascii")
            lines = "\n".join(coded[at : at + _LINE] for at in range(0, len(coded), _LINE))
            blocks.append(f'<script type="application/octet-stream" id="sound-{number}">{lines}</script>')
    return "\n".join(blocks)
