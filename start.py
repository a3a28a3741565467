"""Set up a virtual environment beside this file and run the demo or the tests in it.

    python3 start.py demo     build the demo venue and its report
    python3 start.py tests    lint, type-check and test
    python3 start.py oldest   test on the oldest packages that are allowed
    python3 start.py newest   test on the newest packages that the index has
    python3 start.py lock     write down anew which packages the others install, and the SBOM

Further words are handed on: ``python3 start.py tests tests/shared -k weeks``.
Needs Python 3.11 or newer and the package index; nothing is installed outside ``.venv`` and the
folders beside it whose names begin so. What is installed stands in ``locked/``, with the SHA-256
of every file; only ``newest`` takes what the index offers.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent
PARALLEL = ("-n", str(max(2, os.cpu_count() or 2)), "--dist", "loadfile")
LOCKED = ROOT / "locked"
LOCKS: dict[str, tuple[str, ...]] = {
    "test": ("--extra", "test"),
    "oldest": ("--extra", "test", "--constraint", "tests/oldest-packages.txt"),
    "run": ("--extra", "live", "--extra", "serve", "--extra", "tell",
            "--constraint", "locked/test.txt"),
    "release": ("--extra", "release"),
}
"""Each list of packages in ``locked/``, and how uv is asked for it; in this order."""


def environment(folder: str) -> Path:
    """Make a virtual environment unless it is there; its Python."""
    python = ROOT / folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    if not python.exists():
        print(f"Setting up a virtual environment in {folder} ...", flush=True)
        made = subprocess.run([sys.executable, "-m", "venv", str(ROOT / folder)], check=False)
        if made.returncode:
            raise SystemExit(
                "error: Python could not make a virtual environment. On Debian and its relatives "
                "the part that does so is a package of its own: apt install python3-venv"
            )
    return python


def pip(python: Path, *words: str) -> None:
    """Run pip, or end with its message."""
    command = [str(python), "-m", "pip", "--disable-pip-version-check", "-q", *words]
    if subprocess.run(command, cwd=ROOT, check=False).returncode:
        raise SystemExit("error: the installation failed; the lines above say why")


def set_up(lock: str, folder: str = ".venv") -> Path:
    """Make the environment that a list in ``locked/`` describes, unless that is done already.

    Returns its Python.
    """
    python = environment(folder)
    stamp = ROOT / folder / f"installed-{lock}"
    wanted = LOCKED / f"{lock}.txt"
    state = hashlib.sha256(wanted.read_bytes() + (ROOT / "pyproject.toml").read_bytes()).hexdigest()
    if not stamp.exists() or stamp.read_text() != state:
        print("Installing the project and what it needs (a few minutes, once) ...", flush=True)
        pip(python, "install", "--require-hashes", "-r", str(wanted))
        pip(python, "install", "--no-deps", "--no-build-isolation", "-e", ".")
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
    python = set_up("run")
    where = [] if any(word.startswith("--out") for word in words) else ["--out", "demo"]
    return run(python, "-m", "remanence", "demo", *where, *words)


def tests(words: list[str]) -> int:
    """Lint, check types and run the tests: all of them, or those that ``words`` name."""
    python = set_up("test")
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
    python = set_up("oldest", ".venv-oldest")
    return run(python, "-m", "pytest", *(words or PARALLEL))


def newest(words: list[str]) -> int:
    """Run the tests on the newest of everything, pip and setuptools among it."""
    python = environment(".venv-newest")
    print("Installing the newest packages ...", flush=True)
    newer = ("install", "--upgrade", "--upgrade-strategy", "eager")
    pip(python, *newer, "pip", "setuptools")
    pip(python, *newer, "-e", ".[test]")
    return run(python, "-m", "pytest", *(words or PARALLEL))


def lock(words: list[str]) -> int:
    """Write ``locked/`` anew: each list with the newest packages, and the SBOM of ``run``.

    ``words`` go to uv, like ``--exclude-newer 2026-11-01``.
    """
    import tomllib  # an old Python, which main() tells, has none

    release = set_up("release", ".venv-release")
    build = ROOT / "build" / "build-system.in"
    build.parent.mkdir(exist_ok=True)
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    build.write_text("\n".join(project["build-system"]["requires"]) + "\n", encoding="utf-8")
    for name, how in LOCKS.items():
        status = run(
            release, "-m", "uv", "pip", "compile", "pyproject.toml", build, *how, "--universal",
            "--python-version", project["project"]["requires-python"].removeprefix(">="),
            "--generate-hashes", "--no-annotate", "--no-header", "--upgrade", "--quiet",
            "--output-file", LOCKED / f"{name}.txt", *words)
        if status:
            return status
    return sbom(release)


def sbom(release: Path) -> int:
    """Write ``locked/sbom.cdx.json``: what stands in ``run``, with licences and who needs whom."""
    python = set_up("run", ".venv-run")
    try:
        # A venue gets no pip and no build tool from us.
        pip(release, "--python", str(python), "uninstall", "-y", "pip", "setuptools")
        target = LOCKED / "sbom.cdx.json"
        status = run(
            release, "-m", "cyclonedx_py", "environment", python, "--pyproject", "pyproject.toml",
            "--mc-type", "application", "--output-reproducible", "--output-format", "JSON",
            "--output-file", target)
    finally:
        shutil.rmtree(ROOT / ".venv-run")
    if status == 0:
        told = json.loads(target.read_text("utf-8"))
        for item in (*told["components"], *told["metadata"]["tools"]["components"]):
            item.pop("externalReferences", None)  # addresses that others change, and no part of it
        target.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
    return status


def main() -> int:
    """Run what the first word names."""
    if sys.version_info < (3, 11):  # noqa: UP036 - this file is what tells an old Python
        print(f"error: Python 3.11 or newer is needed, this is {sys.version.split()[0]}")
        return 2
    jobs = {"demo": demo, "tests": tests, "oldest": oldest, "newest": newest, "lock": lock}
    if len(sys.argv) < 2 or sys.argv[1] not in jobs:
        print(__doc__)
        return 2
    return jobs[sys.argv[1]](sys.argv[2:])


if __name__ == "__main__":
    sys.exit(main())
