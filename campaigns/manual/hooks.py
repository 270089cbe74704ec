"""Hooks that MkDocs calls: they add the generated pages and what `docs/` links to from outside, and mend such links.

In the repository a page links to `../safety.md` or `../examples/own_policy.py`, so that whoever reads it there gets
there. In the manual the first is a page and the second a file beside it.
"""

from __future__ import annotations

import os
import posixpath
import re
from importlib.resources import files as resources
from pathlib import Path
from typing import Any, Final

from campaigns.manual.generated import pages

ROOT: Final = Path(__file__).parents[2]
OWN_PAGES: Final = ("README.md", "safety.md", "DEVELOPERS.md", "CHANGELOG.md", "SECURITY.md")
"""Pages from the root of the repository."""
PROJECT: Final = "project"
FILES: Final = "files"
MERMAID: Final = "assets/javascripts/mermaid.min.js"
"""Where the script that draws diagrams is in the site; the theme would fetch one from elsewhere."""
_LINK: Final = re.compile(r"(\]\()([^)#\s]+)((?:#[^)]*)?\))")


def on_config(config: Any) -> Any:
    """Let the documentation of modules be read where an editable install puts them.

    Args:
        config: of MkDocs.
    """
    import ebbset.models

    installed = Path(os.path.abspath(ebbset.models.__path__[0])).parents[1]
    config.plugins["mkdocstrings"].config.handlers["python"]["paths"] = [str(installed)]
    return config


def on_files(files: Any, config: Any) -> Any:
    """Add generated pages, pages of the root and files that pages link to.

    Args:
        files: that MkDocs found in `docs/`.
        config: of MkDocs.
    """
    from mkdocs.structure.files import File

    sources = {file.src_uri: Path(file.abs_src_path).read_text() for file in files.documentation_pages()}
    for address, text in pages().items():
        files.append(File.generated(config, address, content=text))
    for name in OWN_PAGES:
        text = (ROOT / name).read_text()
        sources[name] = text
        files.append(File.generated(config, f"{PROJECT}/{name}", content=text))
    for name in sorted({target for page, text in sources.items() for target in _outside(page, text)}):
        files.append(File.generated(config, f"{FILES}/{name}", abs_src_path=str(ROOT / name)))
    # The package ships Mermaid's own `mermaid.min.js`, unchanged; nothing else of it is used.
    script = resources("mermaidx").joinpath("assets", "mermaid.js")
    files.append(File.generated(config, MERMAID, abs_src_path=str(script)))
    return files


def on_page_markdown(markdown: str, page: Any, **_: Any) -> str:
    """Point links at where their targets are in the manual.

    Args:
        markdown: of the page.
        page: which.
    """
    here = page.file.src_uri
    if here == "reference/contract.md":
        return markdown.replace("../contract/", f"../{FILES}/contract/")
    beside = posixpath.dirname(here)

    def mended(found: re.Match[str]) -> str:
        target = _of_root(here, found[2])
        if target is None:
            return found[0]
        if target.startswith("docs/"):
            address = target.removeprefix("docs/")
        elif target in OWN_PAGES:
            address = f"{PROJECT}/{target}"
        else:
            address = f"{FILES}/{target}"
        return f"{found[1]}{posixpath.relpath(address, beside or '.')}{found[3]}"

    return _LINK.sub(mended, markdown)


def on_post_page(output: str, page: Any, **_: Any) -> str:
    """Give pages with a diagram the script that draws it, before the theme's own looks for one.

    Args:
        output: the page as HTML.
        page: which.
    """
    if '<pre class="mermaid">' not in output:
        return output
    address = posixpath.relpath(MERMAID, posixpath.dirname(page.file.dest_uri) or ".")
    return output.replace("</head>", f'<script src="{address}"></script></head>', 1)


def _of_root(page: str, target: str) -> str | None:
    """A link's target from the root of the repository; None for one that leads elsewhere or to a section."""
    if "://" in target or target.startswith("mailto:"):
        return None
    folder = (
        "" if page in OWN_PAGES or page.startswith(f"{PROJECT}/") else posixpath.join("docs", posixpath.dirname(page))
    )
    return posixpath.normpath(posixpath.join(folder, target))


def _outside(page: str, text: str) -> set[str]:
    found = {_of_root(page, target) for _, target, _ in _LINK.findall(text)}
    contract = {f"contract/{path.name}" for path in (ROOT / "contract").glob("*.json")}
    return contract | {
        target
        for target in found
        if target and not target.startswith("docs/") and target not in OWN_PAGES and (ROOT / target).is_file()
    }
