# ruff: noqa: E501 (snippets of script read better whole)
"""What the page costs: bytes at first load, and document changes for each update.

Times are measured in benchmarks/web.py; here is what does not depend on the machine.
"""

from __future__ import annotations

import hashlib
import re
import shutil
import subprocess
import tarfile
from pathlib import Path

import pytest

from tests.patience import PATIENCE_S
from tests.web.conftest import Open, settle
from tests.web.stand_in import WEB

FIRST_LOAD_BYTES = 150_000
NAMESPACES = {
    "http://www.w3.org/2000/svg",
    "http://www.w3.org/1999/xhtml",
    "http://www.w3.org/1998/Math/MathML",
}
"""Names, not addresses: nothing is fetched from there."""
RENDERER = "preact.js"
"""Not ours: it can set inner HTML, which no view asks it to."""
RENDERER_SHA256 = "bdcbd9abdf2c77c5c45326eab42191e949222d479d0d5f69467387a77040cb55"
"""Of dist/preact.mjs in the npm package preact 11.2.0."""


@pytest.mark.browser
def test_the_first_load_is_under_150_kb_even_uncompressed(open_page: Open) -> None:
    """512 universes: files, first answers and the first rows of the stream; no compression anywhere."""
    opened = open_page("crowd")
    page = opened.go("/")
    page.wait_for_function("() => document.querySelectorAll('.tick').length === 512")
    files = sum(size for path, size in opened.listener.bytes_sent.items() if not path.startswith("/api"))
    assert 20_000 < files < FIRST_LOAD_BYTES
    hosts = page.evaluate("performance.getEntriesByType('resource').map(e => new URL(e.name).host)")
    assert set(hosts) == {opened.listener.url.removeprefix("http://")}


def test_each_view_is_small_and_names_no_other_host() -> None:
    """Views load when they are first opened, so each is bounded by itself; the first load has a bound of its own."""
    files = [path for path in WEB.iterdir() if path.is_file()]
    for path in files:
        assert path.stat().st_size < (18_000 if path.suffix == ".js" else 32_000), path.name
    for path in files:
        outside = set(re.findall(r"https?://[^\s\"'`)]+", path.read_text())) - NAMESPACES
        assert outside == set(), path.name


def test_nothing_inline_that_the_policy_would_refuse() -> None:
    """`script-src 'self'; style-src 'self'`: no style attributes, no inline scripts, no eval."""
    html = (WEB / "index.html").read_text()
    assert not re.search(r"\sstyle=|\son[a-z]+=|<style", html)
    assert re.findall(r"<script(?![^>]*\bsrc=)", html) == []
    for path in WEB.glob("*.js"):
        text = path.read_text() if path.name != RENDERER else ""
        assert "dangerously" not in text, path.name
        assert not re.search(
            r"innerHTML|outerHTML|\beval\(|new Function|document\.write|insertAdjacentHTML|\bstyle:", text
        ), path.name


@pytest.mark.browser
def test_an_update_touches_only_what_differs(open_page: Open) -> None:
    """One rate of 512 changes: one stroke, not the page."""
    opened = open_page("crowd")
    page = opened.go("/")
    page.wait_for_function("() => document.querySelectorAll('.tick').length === 512")
    settle(page)
    page.evaluate("""() => { window.touched = []; new MutationObserver(list => window.touched.push(...list.map(m => m.target)))
        .observe(document.querySelector('.map'), {subtree: true, childList: true, attributes: true, characterData: true}); }""")
    opened.listener.send_rows([opened.listener.situation.universes[9] | {"refresh_hz": 22.0}])
    page.wait_for_function("() => window.touched.length > 0")
    settle(page)
    assert page.evaluate("window.touched.length") <= 8
    assert page.evaluate("document.querySelectorAll('.tick').length") == 512


@pytest.mark.browser
def test_a_tick_of_the_clock_touches_no_universe(open_page: Open) -> None:
    opened = open_page("crowd")
    opened.page.clock.install()
    page = opened.go("/universes")
    page.clock.run_for(1000)
    page.evaluate("""() => { window.touched = 0; new MutationObserver(list => { window.touched += list.length; })
        .observe(document.querySelector('table'), {subtree: true, childList: true, attributes: true, characterData: true}); }""")
    page.clock.run_for(5000)
    assert page.evaluate("window.touched") == 0


def test_every_module_is_reachable_from_the_first_one() -> None:
    """No file is left that nothing loads."""
    seen: set[str] = set()
    todo = ["main.js"]
    while todo:
        name = todo.pop()
        if name in seen:
            continue
        seen.add(name)
        todo += re.findall(r"""(?:from|import\()\s*["']\./([a-z]+\.js)["']""", (WEB / name).read_text())
    assert seen | {"palette.js"} == {path.name for path in Path(WEB).glob("*.js")}


def test_what_the_first_view_imports_is_asked_for_at_once() -> None:
    """Modules that import modules would else come one round trip after the other."""
    seen: set[str] = set()
    todo = ["main.js"]
    while todo:
        name = todo.pop()
        if name not in seen:
            seen.add(name)
            todo += re.findall(r"""from\s*["']\./([a-z]+\.js)["']""", (WEB / name).read_text())
    preloaded = set(re.findall(r'rel="modulepreload" href="/web/([a-z]+\.js)"', (WEB / "index.html").read_text()))
    assert preloaded | {"main.js"} == seen


def test_the_renderer_is_the_published_one_with_its_licence() -> None:
    """Byte for byte the module of the npm package; its licence (MIT) is beside it."""
    assert hashlib.sha256((WEB / RENDERER).read_bytes()).hexdigest() == RENDERER_SHA256
    assert (WEB / "preact-licence.txt").read_text().startswith("The MIT License (MIT)")


def test_the_renderer_is_what_npm_has_under_that_version(tmp_path: Path) -> None:
    """Asks the package registry through its own client, where there is one and it answers."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("npm is missing: sudo apt-get install npm")
    ran = subprocess.run(
        [npm, "pack", "preact@11.2.0", "--silent"], cwd=tmp_path, capture_output=True, timeout=PATIENCE_S
    )
    if ran.returncode:
        pytest.skip("no registry answers npm here")
    with tarfile.open(next(tmp_path.glob("preact-*.tgz"))) as package:
        module = package.extractfile("package/dist/preact.mjs")
        assert module is not None
        assert module.read() == (WEB / RENDERER).read_bytes()
