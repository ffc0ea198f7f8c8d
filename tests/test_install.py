"""What is installed from a wheel works anywhere, and what sets up the project is written down once."""

from __future__ import annotations

import re
import site
import subprocess
import sys
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
LOCK = ROOT / "requirements.lock"


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder), str(ROOT)]
    run = subprocess.run(command, capture_output=True, text=True)
    assert run.returncode == 0, run.stdout + run.stderr
    (path,) = folder.glob("*.whl")
    return path


def test_the_wheel_puts_only_scorer_and_its_pages_on_the_import_path(wheel: Path) -> None:
    tops = {name.split("/")[0] for name in zipfile.ZipFile(wheel).namelist()}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"app", "scorer"}


def test_the_wheel_carries_all_that_scorer_reads(wheel: Path) -> None:
    names = set(zipfile.ZipFile(wheel).namelist())
    listed = subprocess.run(
        ["git", "ls-files", "app", "scorer", "shared", "models", "sample_images"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    files = listed.stdout.splitlines()
    assert "shared/card.json" in files
    there = [re.sub(r"^sample_images/", "samples/", file) for file in files if (ROOT / file).exists()]
    installed = [re.sub(r"^(shared|models|samples)/", r"scorer/_\1/", file) for file in there]
    assert sorted(set(installed) - names) == []


WORKS = """
from pathlib import Path
import scorer
from scorer.card.definition import load_card
from scorer.limits import available_limits
assert Path(scorer.__file__).is_relative_to(__import__("sys").prefix), scorer.__file__
print(load_card().marker_dictionary, *available_limits())
"""


def test_an_installed_wheel_works_outside_the_checkout(wheel: Path, tmp_path: Path) -> None:
    """In an environment of its own; the libraries that scorer stands on are those of this one."""
    home = tmp_path / "env"
    venv.create(home, with_pip=False)
    binaries = home / ("Scripts" if sys.platform == "win32" else "bin")
    python = binaries / "python"
    command = [
        sys.executable,
        "-m",
        "pip",
        "--python",
        str(python),
        "install",
        "--no-deps",
        "--no-index",
        str(wheel),
    ]
    subprocess.run(command, check=True, capture_output=True)
    ask = [str(python), "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"]
    packages = Path(subprocess.run(ask, capture_output=True, text=True, check=True).stdout.strip())
    # A plain path, not site.addsitedir: an editable install of this checkout must not come with it.
    (packages / "libraries.pth").write_text("\n".join(site.getsitepackages()), encoding="utf-8")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    run = subprocess.run([str(python), "-c", WORKS], cwd=elsewhere, capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    assert run.stdout.split()[0] == "DICT_4X4_50"
    assert "shed" in run.stdout
    run = subprocess.run([str(binaries / "scorer"), "--help"], cwd=elsewhere, capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    assert "score" in run.stdout
    run = subprocess.run(
        [str(binaries / "scorer"), "print", "card", "--out", "card.pdf"],
        cwd=elsewhere,
        capture_output=True,
        text=True,
    )
    assert run.returncode == 0, run.stderr
    assert (elsewhere / "card.pdf").read_bytes().startswith(b"%PDF")


def test_the_lock_names_versions_and_hashes_and_no_place() -> None:
    text = LOCK.read_text(encoding="utf-8")
    assert not re.search(r"https?://|file:|--(extra-)?index-url|--find-links|--trusted-host", text)
    assert not re.search(r"(^|\s)(/|\.\.?/)\w", text), "no path of any machine"
    packages = [line for line in text.splitlines() if re.match(r"\w", line)]
    assert packages
    assert all(re.fullmatch(r"[\w.-]+==[\w.!+]+( ; .*)? \\", line) for line in packages)
    blocks = re.split(r"\n(?=\w)", text)
    assert all("--hash=sha256:" in block for block in blocks if re.match(r"\w", block))


def test_the_lock_holds_every_package_that_is_asked_for() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    asked = [
        *project["project"]["dependencies"],
        *project["project"]["optional-dependencies"]["dev"],
        *project["build-system"]["requires"],
    ]
    locked = re.findall(r"^([\w.-]+)==", LOCK.read_text(encoding="utf-8"), re.MULTILINE)
    plain = {re.sub(r"[-_.]+", "-", name).lower() for name in locked}  # PEP 503
    wanted = {re.sub(r"[-_.]+", "-", re.split(r"[<>=!~ \[;]", name)[0]).lower() for name in asked}
    assert sorted(wanted - plain) == []


def test_the_continuous_check_runs_the_readmes_command() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"<!-- command: (\w+) -->\n```bash\n(.+)\n```", readme)
    assert [name for name, _ in blocks] == ["score", "test"]
    assert "pytest" in dict(blocks)["test"]
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "<!-- command: test -->" in script
    assert "pytest" not in script, "the command stands in the README only"
    subprocess.run(["bash", "-n", str(ROOT / ".ci" / "run")], check=True)
