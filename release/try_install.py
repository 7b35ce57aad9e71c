"""Builds wheel and sdist, installs each into a new environment, and runs the demo there with no network.

    python release/try_install.py [PYTHON ...]

For each Python named (else this one): the wheel with the versions of requirements.lock, then the sdist with the newest
ones and the extras that a user may want. The demo runs from each wheel and from the first sdist, in an empty folder far
from this one, in a network of its own that reaches nothing but loopback (where the system lets us make one; else it is
said that it was not).
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[1]
EXTRAS = "alerts,browser,cluster,docs"


def run(*argv: str, cwd: Path) -> str:
    """A command that must succeed; its output."""
    done = subprocess.run(argv, cwd=cwd, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise SystemExit(f"{' '.join(argv)}\n{done.stdout}\n{done.stderr}")
    return done.stdout


def without_network() -> list[str]:
    """What to put before a command so that it sees loopback only; empty where that is not allowed."""
    if shutil.which("unshare") is None:
        return []
    inside = ["unshare", "--net", "--map-root-user", "sh", "-c", 'ip link set lo up 2>/dev/null; exec "$@"', "sh"]
    works = subprocess.run([*inside, "true"], capture_output=True, check=False).returncode == 0
    return inside if works else []


def build(into: Path) -> tuple[Path, Path]:
    """Wheel and sdist, from a clean copy of what is tracked or about to be."""
    copy = into / "source"
    copy.mkdir()
    tracked = run("git", "ls-files", "-z", "--cached", "--others", "--exclude-standard", cwd=ROOT).split("\0")
    for name in filter(None, tracked):
        if (ROOT / name).is_file():
            (copy / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, copy / name)
    run(sys.executable, "-m", "venv", "tools", cwd=into)
    run("tools/bin/pip", "install", "--quiet", "build", cwd=into)
    run("tools/bin/python", "-m", "build", "--outdir", str(into / "dist"), str(copy), cwd=into)
    [wheel], [sdist] = (into / "dist").glob("*.whl"), (into / "dist").glob("*.tar.gz")
    return wheel, sdist


def tried(python: str, package: Path, lock: Path | None, scratch: Path, cut_off: list[str], demo: bool) -> str:
    """Install, check, and run the demo or the check of the installation; a line that says what was done."""
    venv = scratch / f"venv-{package.suffix[1:]}"
    run(python, "-m", "venv", str(venv), cwd=scratch)
    pip = str(venv / "bin" / "pip")
    began_s = time.monotonic()
    if lock is not None:
        run(pip, "install", "--quiet", "-r", str(lock), cwd=scratch)
        run(pip, "install", "--quiet", "--no-deps", str(package), cwd=scratch)
    else:
        run(pip, "install", "--quiet", f"{package}[{EXTRAS}]", cwd=scratch)
    installed_s = time.monotonic() - began_s
    run(pip, "check", cwd=scratch)
    longhold = str(venv / "bin" / "longhold")
    version = run(longhold, "--version", cwd=scratch).strip()
    empty = scratch / f"empty-{package.suffix[1:]}"
    empty.mkdir()
    began_s = time.monotonic()
    if demo:
        run(*cut_off, longhold, "demo", "--out", "demo", cwd=empty)
        did = f"demo made {len(list((empty / 'demo').iterdir()))} files"
    else:
        night = ("program", "new-batch", "--hours", "12", "--stations", "4", "--out", "night.toml")
        run(*cut_off, longhold, *night, cwd=empty)
        did = "wrote a program"
    which = run(str(venv / "bin" / "python"), "--version", cwd=scratch).strip()
    network = "no network" if cut_off else "network NOT cut off: the system does not allow it"
    how = "the lock" if lock else f"the newest, extras {EXTRAS}"
    kB = package.stat().st_size // 1000
    return (
        f"{which}, {package.name} ({kB} kB), {how}: {version} installed in {installed_s:.0f} s; "
        f"{did} in {time.monotonic() - began_s:.0f} s, {network}"
    )


def main() -> int:
    """A line for each Python and package."""
    pythons = sys.argv[1:] or [sys.executable]
    cut_off = without_network()
    with tempfile.TemporaryDirectory() as folder:
        scratch = Path(folder)
        wheel, sdist = build(scratch)
        for k, python in enumerate(pythons):
            room = scratch / str(k)
            room.mkdir()
            print(tried(python, wheel, ROOT / "requirements.lock", room, cut_off, True), flush=True)
            print(tried(python, sdist, None, room, cut_off, k == 0), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
