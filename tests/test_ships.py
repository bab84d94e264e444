"""The kit as it is installed without its checkout: the wheel and the sources carry all that a run needs."""

import os
import subprocess
import sys
import sysconfig
import tarfile
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
CARRIED = [path.relative_to(ROOT).as_posix() for path in sorted((ROOT / "notebooks").glob("*.ipynb"))]
CARRIED += [path.relative_to(ROOT).as_posix() for path in sorted((ROOT / "data_demo").rglob("*.toml"))]


def run(*command, **options):
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", **options)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """A wheel and an archive of the sources, built as a release would be, with the build tool that is installed."""
    place = tmp_path_factory.mktemp("built")
    run(sys.executable, "-m", "hatchling", "build", "-d", str(place), cwd=ROOT)
    return place


@pytest.fixture(scope="module")
def installed(built, tmp_path_factory):
    """The programs of a virtual environment that has the wheel, and finds what it needs where this one does."""
    place = tmp_path_factory.mktemp("environment")
    run(sys.executable, "-m", "venv", "--without-pip", str(place))
    programs = place / ("Scripts" if os.name == "nt" else "bin")
    (wheel,) = built.glob("*.whl")
    python = programs / Path(sys.executable).name
    run(sys.executable, "-m", "pip", "--python", str(python), "install", "--no-deps", "--no-index", str(wheel))
    packages = Path(run(str(python), "-c", "import sysconfig; print(sysconfig.get_path('purelib'))").strip())
    (packages / "needed.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    return programs


def test_the_wheel_carries_the_notebooks_and_the_demo(built):
    (wheel,) = built.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
    assert len(CARRIED) > 20
    assert [name for name in CARRIED if f"tunelab/shipped/{name}" not in names] == []
    assert "tunelab/py.typed" in names
    assert any(name.endswith("licenses/tunelab/LICENSE") for name in names)


def test_the_sources_carry_what_the_wheel_is_made_of_and_the_tests(built):
    (sources,) = built.glob("*.tar.gz")
    with tarfile.open(sources) as archive:
        names = [name.partition("/")[2] for name in archive.getnames()]
    wanted = ["README.md", "DEVELOPERS.md", "pyproject.toml", "tunelab/LICENSE", "tests/test_ships.py", *CARRIED]
    assert [name for name in wanted if name not in names] == []


def test_an_installed_kit_finds_its_notebooks_and_copies_its_demo(installed, tmp_path):
    """In an empty folder, as `pip install tunelab-*.whl` and one command leave it."""
    where = run(str(installed / "python"), "-c", "import tunelab; print(tunelab.__file__)", cwd=tmp_path)
    assert str(ROOT) not in where
    told = run(str(installed / "tunelab"), "list", cwd=tmp_path)
    assert [name for name in CARRIED if name.endswith(".ipynb") and Path(name).stem not in told] == []
    code = "from pathlib import Path; from tunelab.record.lab import copy_demo; copy_demo(Path('car'))"
    run(str(installed / "python"), "-c", code, cwd=tmp_path)
    assert (tmp_path / "car" / "car.toml").read_bytes() == (ROOT / "data_demo" / "car.toml").read_bytes()
    session = "car/sessions/2026-05-02-link"
    run(str(installed / "tunelab"), "record", session, "--notebook", "link", cwd=tmp_path)
    assert (tmp_path / "car" / "records" / "2026-05-02-link" / "index.html").is_file()
