"""Set up a virtual environment beside this file and run the demo or the tests in it.

    python3 start.py demo     build the demo venue and its report
    python3 start.py tests    lint, type-check and test
    python3 start.py oldest   test on the oldest packages that are allowed

Further words are handed on: ``python3 start.py tests tests/shared -k weeks``.
Needs Python 3.11 or newer and the package index; nothing is installed outside ``.venv`` (the oldest
packages: ``.venv-oldest``).
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent
PARALLEL = ("-n", str(max(2, os.cpu_count() or 2)), "--dist", "loadfile")
OLDEST = ROOT / "tests" / "oldest-packages.txt"


def set_up(extra: str, folder: str = ".venv", constraints: Path | None = None) -> Path:
    """Make the environment, and install the project into it unless that is done already.

    Returns its Python.
    """
    environment = ROOT / folder
    python = environment / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    if not python.exists():
        print(f"Setting up a virtual environment in {folder} ...", flush=True)
        made = subprocess.run([sys.executable, "-m", "venv", str(environment)], check=False)
        if made.returncode:
            raise SystemExit(
                "error: Python could not make a virtual environment. On Debian and its relatives "
                "the part that does so is a package of its own: apt install python3-venv"
            )
    stamp = environment / f"installed{extra.replace('[', '-').replace(']', '')}"
    wanted = (ROOT / "pyproject.toml").read_bytes()
    state = hashlib.sha256(wanted + (constraints.read_bytes() if constraints else b"")).hexdigest()
    if stamp.exists() and stamp.read_text() == state:
        return python
    print("Installing the project and what it needs (a few minutes, once) ...", flush=True)
    pip = [str(python), "-m", "pip", "--disable-pip-version-check", "-q", "install"]
    held = ["-c", str(constraints)] if constraints else []
    if subprocess.run([*pip, *held, "-e", f"{ROOT}{extra}"], check=False).returncode:
        raise SystemExit("error: the installation failed; the lines above say why")
    stamp.write_text(state)
    return python


def typed_tree(where: Path = ROOT / "build" / "types") -> None:
    """Lay the package out as it is imported, for mypy, which reads folders by their names."""
    tree = where / "remanence"
    shutil.rmtree(tree, ignore_errors=True)
    for room in (".", "analytics", "dashboards", "pipelines", "sample_data", "shared"):
        source = ROOT / "remanence" if room == "." else ROOT / room
        shutil.copytree(source, tree / room, dirs_exist_ok=True,
                        ignore=shutil.ignore_patterns("__pycache__"))


def run(*command: str | Path) -> int:
    """Run a command of the environment from the project's folder; its exit status."""
    return subprocess.run([str(word) for word in command], cwd=ROOT, check=False).returncode


def demo(words: list[str]) -> int:
    """Build and run the demo."""
    python = set_up("")
    where = [] if any(word.startswith("--out") for word in words) else ["--out", "demo"]
    return run(python, "-m", "remanence", "demo", *where, *words)


def tests(words: list[str]) -> int:
    """Lint, check types and run the tests: all of them, or those that ``words`` name."""
    python = set_up("[test]")
    if words:
        return run(python, "-m", "pytest", *words)
    lint = run(python, "-m", "ruff", "check", ".")
    typed_tree()
    types = run(python, "-m", "mypy")
    tested = run(python, "-m", "pytest", *PARALLEL)
    for name, status in (("ruff", lint), ("mypy", types), ("pytest", tested)):
        print(f"{name}: {'clean' if status == 0 else f'failed with status {status}'}")
    return int(any((lint, types, tested)))


def oldest(words: list[str]) -> int:
    """Run the tests on the oldest packages that pyproject.toml allows."""
    python = set_up("[test]", ".venv-oldest", OLDEST)
    return run(python, "-m", "pytest", *(words or PARALLEL))


def main() -> int:
    """Run what the first word names."""
    if sys.version_info < (3, 11):  # noqa: UP036 - this file is what tells an old Python
        print(f"error: Python 3.11 or newer is needed, this is {sys.version.split()[0]}")
        return 2
    jobs = {"demo": demo, "tests": tests, "oldest": oldest}
    if len(sys.argv) < 2 or sys.argv[1] not in jobs:
        print(__doc__)
        return 2
    return jobs[sys.argv[1]](sys.argv[2:])


if __name__ == "__main__":
    sys.exit(main())
