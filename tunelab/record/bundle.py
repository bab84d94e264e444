"""The scripts that a page carries inside itself, and the policy that lets these and nothing else run."""

from __future__ import annotations

import base64
import gzip
import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

TEMPLATES = Path(__file__).parent / "templates"
EXTRA = {"bokeh-tables": ("DataTable", "DataCube"), "bokeh-widgets": ("Slider", "Select", "Button", "Div", "Tabs")}


@dataclass(frozen=True)
class Script:
    """One script as the page carries it: compressed text, and the hash by which the policy knows it."""

    name: str
    packed: str  # gzip, then base64
    policy_hash: str


@cache
def bokeh_script(name: str) -> Script:
    """Pack one of bokeh's own scripts, such as `bokeh`, from the installed package."""
    import bokeh

    path = Path(bokeh.__file__).parent / "server" / "static" / "js" / f"{name}.min.js"
    text = path.read_text(encoding="utf-8")
    return Script(name, pack(text), policy_hash(text))


def scripts_for(figures: Iterable[str]) -> list[Script]:
    """Choose the scripts that these figures need, given as JSON texts; none where there is no figure."""
    texts = list(figures)
    if not texts:
        return []
    extra = [n for n, models in EXTRA.items() if any(f'"name": "{m}"' in text for m in models for text in texts)]
    return [bokeh_script(name) for name in ["bokeh", *extra]]


def pack(text: str) -> str:
    """Compress a text and write it in base64; the same text gives the same result."""
    return base64.b64encode(gzip.compress(text.encode("utf-8"), compresslevel=9, mtime=0)).decode("ascii")


def policy_hash(text: str) -> str:
    """Hash of a script in the notation of the Content Security Policy (W3C CSP Level 3, section 2.3.1)."""
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


def policy(scripts: Iterable[str]) -> str:
    """Write the policy of a page: nothing from anywhere, and only scripts with these hashes.

    Styles are inline, because bokeh writes them; pictures may only be the page's own data.
    """
    sources = " ".join(scripts) or "'none'"
    return (
        f"default-src 'none'; script-src {sources}; style-src 'unsafe-inline'; img-src data: blob:; "
        "font-src data:; connect-src 'none'; form-action 'none'; base-uri 'none'"
    )
