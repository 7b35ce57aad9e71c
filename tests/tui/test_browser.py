"""`longhold watch --browser`: who is let in, over HTTP, over its socket, and in a real headless browser."""

from __future__ import annotations

import asyncio
import contextlib
import io
import json
import os
import re
import socket
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import aiohttp
import numpy as np
import pytest
from PIL import Image

from bench.journal import Event, Row
from bench.recorder import Recorder
from models.errors import InputError
from tests.tui.chromium import BROWSER, a_page
from tests.tui.test_home import NOW, header
from tui.browser import COOKIE, MOST_PAGES, allowed_hosts, is_loopback, make_server, refused, token_for
from tui.cli import run

HERE = frozenset({"127.0.0.1:8137", "localhost:8137", "[::1]:8137"})


# -- who is let in -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("host", "yes"),
    [("127.0.0.1", True), ("127.8.0.1", True), ("::1", True), ("localhost", True), ("0.0.0.0", False),
     ("192.168.1.7", False), ("bench.example", False), ("localhost.example", False)],
)  # fmt: skip
def test_only_this_computer_is_loopback(host: str, yes: bool) -> None:
    assert is_loopback(host) is yes


def test_beyond_loopback_a_word_is_asked_for_and_a_fresh_token_is_made() -> None:
    assert token_for("127.0.0.1", None) is None
    with pytest.raises(InputError, match="say so with --expose network"):
        token_for("192.168.1.7", None)
    with pytest.raises(InputError, match="the word is 'network'"):
        token_for("192.168.1.7", "yes")
    one, other = token_for("192.168.1.7", "network"), token_for("192.168.1.7", "network")
    assert one is not None and other is not None and one != other and len(one) >= 32
    assert token_for("127.0.0.1", None, "https://bench.example") is not None, "a proxy opens it to others"


@pytest.mark.parametrize(
    ("host", "origin", "given", "token", "says"),
    [
        ("127.0.0.1:8137", None, None, None, None),
        ("localhost:8137", "http://localhost:8137", None, None, None),
        ("bench.example:8137", None, None, None, "not served under that name"),  # a name that resolves to us
        ("127.0.0.1:8137", "http://evil.example", None, None, "of another origin"),
        ("127.0.0.1:8137", "null", None, None, "of another origin"),
        ("127.0.0.1:8137", None, None, "secret", "token is missing or wrong"),
        ("127.0.0.1:8137", None, "secreT", "secret", "token is missing or wrong"),
        ("127.0.0.1:8137", None, "", "secret", "token is missing or wrong"),
        ("127.0.0.1:8137", None, "secret", "secret", None),
    ],
)
def test_a_request_is_looked_at_by_host_origin_and_token(
    host: str, origin: str | None, given: str | None, token: str | None, says: str | None
) -> None:
    why = refused(host, origin, given, hosts=HERE, token=token)
    assert why is None if says is None else why is not None and says in why


def test_a_public_address_is_allowed_beside_the_own_one() -> None:
    assert allowed_hosts("127.0.0.1", 8137, None) == HERE
    assert "bench.example" in allowed_hosts("127.0.0.1", 8137, "https://bench.example/")
    assert allowed_hosts("192.168.1.7", 8137, None) == {"192.168.1.7:8137"}


@pytest.mark.parametrize(
    ("argv", "says"),
    [
        (["--host", "192.168.1.7"], "--expose network"),
        (["--host", "192.168.1.7", "--expose", "please"], "the word is 'network'"),
        (["--host", "0.0.0.0", "--expose", "network"], "--public-url"),
        (["--public-url", "bench.example"], "an address such as"),
    ],
)
def test_the_command_refuses_before_it_listens(
    argv: list[str], says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["watch", "--browser", *argv]) == 2
    assert says in capsys.readouterr().err
    assert run(["watch", "--expose", "network"]) == 2
    assert "--expose goes with --browser" in capsys.readouterr().err


# -- served ------------------------------------------------------------------------------------------------------------


def a_run(folder: Path) -> Path:
    """A run that is being written, as far as its first row; the recorder is left open by its journal."""
    path = folder / "night.h5"
    row = Row(station=0, step=0, flags=3, time_s=10.0, utc=NOW.timestamp(), frame_ms=1, load_N=1500.0, position_mm=1.0,
              elongation_mm=1.0, elongation_raw_mm=1.0, temperature_C=20.0, set_load_N=1500.0)  # fmt: skip
    with Recorder.create(path, header(), live=False) as recorder:
        recorder.record([row], [Event(time_s=0.0, utc=0.0, station="", kind="run", message="begun", data={})])
    return path


@contextlib.asynccontextmanager
async def served(folder: Path, token: str | None = None) -> AsyncIterator[str]:
    """The bridge on a free port of this computer; gives its address."""
    from aiohttp import web

    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = make_server([str(a_run(folder))], host="127.0.0.1", port=port, token=token, public_url=None)
    runner = web.AppRunner(await server._make_app())
    await runner.setup()
    try:
        await web.TCPSite(runner, "127.0.0.1", port).start()
        yield f"http://127.0.0.1:{port}"
    finally:
        await runner.cleanup()
        async with asyncio.timeout(30):  # a page that has gone leaves no monitor behind
            while monitors():
                await asyncio.sleep(0.1)


def monitors() -> list[str]:
    """Monitors that pages have started from here and that still live, by their command lines."""
    own, found = str(os.getpid()), []
    for place in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):  # gone in between
            parent = (place / "stat").read_text().rpartition(") ")[2].split()[1]
            command = (place / "cmdline").read_text()
            if parent == own and "--served" in command:
                found.append(command)
    return found


async def test_the_page_is_given_to_its_own_name_only_and_may_load_nothing_from_elsewhere(tmp_path: Path) -> None:
    async with served(tmp_path) as address, aiohttp.ClientSession() as session:
        async with session.get(address) as answer:
            assert answer.status == 200
            assert "frame-ancestors 'none'" in answer.headers["Content-Security-Policy"]
            assert "default-src 'self'" in answer.headers["Content-Security-Policy"]
            assert answer.headers["Cache-Control"] == "no-store"
        for headers in ({"Host": "evil.example"}, {"Origin": "http://evil.example"}):
            for path in ("/", "/ws", "/static/js/textual.js"):
                async with session.get(address + path, headers=headers) as answer:
                    assert answer.status == 403, (path, headers)


async def test_a_token_moves_from_the_address_into_a_cookie_and_nothing_passes_without_it(tmp_path: Path) -> None:
    async with served(tmp_path, "s3cret") as address, aiohttp.ClientSession() as session:
        for path in ("/", "/ws", "/static/js/textual.js", "/?token=wrong"):
            async with session.get(address + path) as answer:
                assert answer.status == 403 and "s3cret" not in await answer.text()
        async with session.get(f"{address}/?token=s3cret", allow_redirects=False) as answer:
            assert answer.status == 302 and answer.headers["Location"] == "/"
            cookie = answer.headers["Set-Cookie"]
            assert "HttpOnly" in cookie and "SameSite=Strict" in cookie
        plain = aiohttp.ClientSession(cookies={COOKIE: "s3cret"})
        async with plain, plain.get(address) as answer:
            assert answer.status == 200


async def hears(page: Any, words: str) -> str:
    """What came over the socket, until it has these words."""
    seen = ""
    async with asyncio.timeout(60):
        while words not in re.sub(r"\x1b\[[0-9;?<>=]*[A-Za-z]", "", seen):
            message = await page.receive()
            data = message.data
            assert isinstance(data, str | bytes), message
            seen += data.decode("utf-8", "replace") if isinstance(data, bytes) else ""
    return seen


async def test_over_its_socket_comes_a_monitor_that_cannot_ask_and_ends_with_the_page(tmp_path: Path) -> None:
    before = sorted(p.name for p in tmp_path.iterdir())
    async with (
        served(tmp_path) as address,
        aiohttp.ClientSession() as session,
        session.ws_connect(f"{address}/ws?width=80&height=24") as page,
    ):
        seen = await hears(page, "K07-01")
        assert "ask" not in re.sub(r"\x1b\[[0-9;?<>=]*[A-Za-z]", "", seen).split()
        await page.send_str(json.dumps(["stdin", "a"]))
        await page.send_str(json.dumps(["stdin", "3"]))
        assert "Ask the run" not in await hears(page, "begun")
        assert len(monitors()) == 1
    left = {p.name for p in tmp_path.iterdir()} - set(before)
    assert left == {"night.h5.journal"}, "the page wrote nothing"


async def test_more_pages_than_the_most_are_turned_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tui.browser.MOST_PAGES", 1)
    assert MOST_PAGES > 1
    async with served(tmp_path) as address, aiohttp.ClientSession() as session:
        async with session.ws_connect(f"{address}/ws") as page:
            await hears(page, "K07-01")
            async with session.get(f"{address}/ws") as answer:
                assert answer.status == 503
        async with asyncio.timeout(30):
            while True:  # a closed page makes room
                with contextlib.suppress(aiohttp.WSServerHandshakeError):
                    async with session.ws_connect(f"{address}/ws"):
                        break
                await asyncio.sleep(0.1)


# -- in a browser ------------------------------------------------------------------------------------------------------


def ink(png: bytes) -> float:
    """Share of the picture that is bright."""
    return float((np.asarray(Image.open(io.BytesIO(png)).convert("L")) > 150).mean())


@pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine")
async def test_a_real_browser_shows_it_and_goes_round_by_touch_and_by_key(tmp_path: Path) -> None:
    profile = tmp_path / "profile"
    profile.mkdir()
    async with served(tmp_path) as address, a_page(profile) as page:
        await page.opens(address, 800, 480)
        await page.until("K07-01")
        await asyncio.sleep(1.0)  # drawn
        first = await page.picture()
        assert 0.005 < ink(first) < 0.5
        assert "begun" in await page.until("1 all")
        # the line of keys is at the foot: "2 one" is touched
        await page.click(100, 470)
        await page.until("Elongation, mm, against")
        second = await page.picture()
        assert second != first
        await page.types("3")
        await page.until("night at 1500 N")
        assert all(url.startswith((address, "data:", "https://fonts.")) for url in page.asked_for)
        assert page.blocked.count("csp") == sum(url.startswith("https://fonts.") for url in page.asked_for)
