"""The command line as a person meets it: help, exit codes, and messages without tracebacks."""

import os
import subprocess
import sys

import pytest
from page_checks import as_read
from plain_workspace import SESSION_NAME, write_workspace

from tunelab.channels import CHANNELS
from tunelab.cli import COMMANDS, main


def tunelab(*arguments, cwd=None):
    command = [sys.executable, "-m", "tunelab", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, cwd=cwd, check=False)


@pytest.fixture
def workspace(tmp_path):
    return write_workspace(tmp_path / "my-car")


def test_help_names_every_command_and_says_where_to_start():
    done = tunelab("--help")
    assert done.returncode == 0
    assert all(f"\n    {name} " in done.stdout for name in COMMANDS)
    assert "tunelab demo" in done.stdout


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_its_exit_status(name, capsys):
    assert main([name, "--help"]) == 0
    assert f"usage: tunelab {name}" in capsys.readouterr().out


def test_help_imports_nothing_heavy():
    code = (
        "import sys\nfrom tunelab.cli import main\nmain(['--help'])\n"
        "heavy = {'numpy', 'pandas', 'xarray', 'polars', 'holoviews', 'bokeh', 'papermill', 'pydantic', 'nbformat'}\n"
        "sys.exit(','.join(sorted(heavy & set(sys.modules))) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "required: COMMAND"),
        (["recrod"], "invalid choice: 'recrod'"),
        (["record"], "required: SESSION"),
        (["record", "{session}", "--ou", "x"], "unrecognized arguments: --ou"),
        (["record", "nowhere/at-all"], "found no session"),
        (["record", "{root}"], f"there are {SESSION_NAME}"),
        (["record", "{session}", "--notebook", "stedy"], "the nearest known one is steady"),
        (["record", "{session}", "--set", "sesion=x"], "no such parameter"),
        (["record", "{session}", "--set", "session=x"], "fills this one in itself"),
        (["record", "{session}", "--set", "top_speed_km_h=fast"], "wanted a number or None"),
        (["plan", "{root}", "--top-speed", "fast"], "invalid float value"),
        (["plan", "nowhere"], "found no session"),
        (["demo", "{root}"], "exists already and stays as it is"),
    ],
)
def test_a_wrong_call_ends_with_2_and_a_message_for_people(workspace, capsys, arguments, message):
    places = {"root": workspace, "session": workspace / "sessions" / SESSION_NAME}
    assert main([argument.format(**places) for argument in arguments]) == 2
    told = capsys.readouterr().err
    assert message in told
    assert "Traceback" not in told
    assert not (workspace / "records").exists()


def test_a_workspace_with_mistakes_lists_them_all(workspace, capsys):
    text = (workspace / "car.toml").read_text(encoding="utf-8")
    broken = text.replace("cylinders", "cilinders").replace("mass_kg = 1150", 'mass_kg = "heavy"')
    (workspace / "car.toml").write_text(broken, encoding="utf-8")
    assert main(["record", str(workspace / "sessions" / SESSION_NAME)]) == 2
    told = capsys.readouterr().err
    assert "cylinders" in told
    assert "mass_kg" in told


def test_a_log_that_cannot_be_read_writes_nothing(workspace, capsys):
    (workspace / "sessions" / SESSION_NAME / "log1.csv").write_bytes(b"\x00\x01\x02" * 50)
    assert main(["record", str(workspace / "sessions" / SESSION_NAME)]) == 2
    told = capsys.readouterr().err
    assert "log1.csv" in told
    assert not list((workspace / "records").glob("*")) if (workspace / "records").exists() else True


def test_a_step_that_no_notebook_serves_says_which_are(workspace, capsys):
    path = workspace / "sessions" / SESSION_NAME / "session.toml"
    path.write_text(path.read_text().replace('"steady"', '"launch"'), encoding="utf-8")
    code = main(["record", str(path.parent), "--notebook", "nothing"])
    assert code == 2
    assert "There is no notebook 'nothing'" in capsys.readouterr().err


def test_list_tells_questions_steps_and_parameters(capsys):
    assert main(["list"]) == 0
    told = capsys.readouterr().out
    assert "steady: How wrong are the air meter and the injectors?" in told
    assert "serves the steps: steady" in told
    assert "--set top_speed_km_h=None" in told
    assert "--set session" not in told


def test_list_tells_every_channel_with_its_unit_and_usual_names(capsys):
    assert main(["list", "--channels"]) == 0
    told = capsys.readouterr().out
    assert all(name in told for name in CHANNELS)
    assert "coolant temperature [degree_Celsius]" in told
    assert "logged as engine speed, rpm" in told


def test_a_plan_for_a_car_that_was_never_driven(workspace, capsys, tmp_path):
    (workspace / "sessions" / SESSION_NAME / "log1.csv").unlink()
    (workspace / "sessions" / SESSION_NAME / "session.toml").unlink()
    (workspace / "sessions" / SESSION_NAME).rmdir()
    assert main(["plan", str(workspace), "--top-speed", "80", "--html", str(tmp_path / "plan.html")]) == 0
    assert main(["plan", str(workspace), "--top-speed", "80"]) == 0
    told = capsys.readouterr().out
    assert "nothing driven yet" in told
    assert "not above 80 km/h" in told
    page = as_read((tmp_path / "plan.html").read_text(encoding="utf-8"))
    assert "Summary of this record" not in page  # it lies in no record
    assert "not above 80 km/h" in page
    assert "closed road" in page


def test_an_installation_that_is_not_whole_says_how_to_make_it_so(monkeypatch, capsys, tmp_path):
    from tunelab.record import notebook

    monkeypatch.setattr(notebook, "__file__", str(tmp_path / "a" / "b" / "c" / "notebook.py"))
    assert main(["list"]) == 2
    assert "pip install -e ." in capsys.readouterr().err
    assert main(["demo", str(tmp_path / "demo")]) == 2
    assert not (tmp_path / "demo").exists()


def test_version():
    assert tunelab("--version").stdout.startswith("tunelab ")


@pytest.mark.parametrize("arguments", [["list"], ["ready", "{root}"]])
def test_a_reader_that_has_seen_enough_is_no_error(arguments, tmp_path):
    words = [word.format(root=write_workspace(tmp_path)) for word in arguments]
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(
        [sys.executable, "-m", "tunelab", *words], stdout=writing, stderr=subprocess.PIPE, text=True, check=False
    )
    os.close(writing)
    assert (done.returncode, done.stderr) == (141, "")


def test_a_revision_that_is_not_there_is_a_wrong_argument_and_no_verdict(tmp_path, capsys):
    root = write_workspace(tmp_path)
    assert main(["ready", str(root), "--revision", "r07"]) == 2
    told = capsys.readouterr()
    assert told.err.strip() == (
        "tunelab ready: there is no revision 'r07' in this workspace, which has r01; the nearest name is r01."
    )
    assert told.out == ""


@pytest.mark.parametrize("name", ["ready", "plan", "share", "list", "inspect", "compare"])
def test_what_only_runs_of_notebooks_need_is_not_imported_by_other_commands(name, workspace):
    """Reading the format of notebooks takes a second, and every kernel of a record would wait for it too."""
    told = {"list": [], "inspect": [str(workspace / "sessions" / SESSION_NAME / "log1.csv")], "share": ["nowhere"]}
    arguments = told.get(name, ["a", "b", str(workspace)] if name == "compare" else [str(workspace)])
    code = (
        f"import sys\nfrom tunelab.cli import main\nmain([{name!r}, *{arguments!r}])\n"
        "sys.exit(','.join(sorted({'nbformat', 'papermill', 'scipy.signal'} & set(sys.modules))) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-300:]
