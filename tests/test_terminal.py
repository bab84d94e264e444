"""What a command writes is text, whatever it is given."""

import io
from contextlib import contextmanager, redirect_stderr, redirect_stdout

import pytest
from plain_workspace import SESSION_NAME, write_workspace

from tunelab.cli import COMMANDS, main, plain, say_folded


@pytest.mark.parametrize("text", ["\x1b[2Jx", "a\rb", "\u202egnp.exe", "\x9b31m", "\x00", "\u2066x\u2069", "\u200f"])
def test_control_and_bidi_characters_become_question_marks(text):
    shown = plain(text)
    assert "?" in shown
    assert all(character.isprintable() for character in shown)


def test_text_in_any_language_stays():
    assert plain("Kühlmittel [°C]\nλ 温度") == "Kühlmittel [°C]\nλ 温度"


@pytest.mark.parametrize("command", ["record", "plan", "inspect"])
def test_errors_that_name_a_hostile_path_are_text(command, capsys, tmp_path):
    assert main([command, str(tmp_path / "\x1b]0;owned\x07\u202e")]) != 0
    shown = capsys.readouterr()
    assert "owned" in shown.err
    assert all(character.isprintable() or character == "\n" for character in shown.err + shown.out)


def test_a_long_sentence_is_folded_for_a_terminal_and_stays_whole_elsewhere(capsys, monkeypatch):
    sentence = f"met        Duty: {'a word and ' * 20}the end\x1b[2J"
    monkeypatch.delenv("COLUMNS", raising=False)
    say_folded(sentence, hang=11)
    assert capsys.readouterr().out == plain(sentence) + "\n"
    monkeypatch.setenv("COLUMNS", "60")
    say_folded(sentence, hang=11)
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) > 4
    assert max(map(len, lines)) <= 60
    assert all(line.startswith(" " * 11) for line in lines[1:])
    assert " ".join(" ".join(lines).split()) == " ".join(plain(sentence).split())


@contextmanager
def narrow(encoding):
    """Both outputs as on a terminal or in a pipe that holds few characters; gives what is written there."""
    stream = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    with redirect_stdout(stream), redirect_stderr(stream):
        yield lambda: stream.flush() or stream.buffer.getvalue().decode(encoding)


@pytest.mark.parametrize("encoding", ["cp1252", "ascii"])
def test_every_command_says_what_it_has_to_say_where_few_characters_fit(encoding, tmp_path):
    """A pipe on Windows writes in cp1252; `plan` stopped there at a dash, with the status of a wrong call."""
    root = write_workspace(tmp_path / "my-car")
    session = root / "sessions" / SESSION_NAME
    log = session / "log1.csv"
    log.write_text("Zeit λ [s];Kühlmittel → [°C];Motor – Drehzahl [rpm]\n" + "".join(
        f"{k / 10};{80 + k % 7};{2000 + k}\n" for k in range(90)
    ), encoding="utf-8")  # fmt: skip
    calls = [
        *((command, "--help", 0) for command in COMMANDS),
        ("list", 0),
        ("list", "--channels", 0),
        ("inspect", str(log), 0),
        ("ready", str(root), 1),
        ("plan", "steady", str(root), 0),
        ("new", str(tmp_path / "Höhe λ"), 0),
        ("plan", str(tmp_path / "Höhe λ"), 2),
        ("record", str(session), "--notebook", "größer", 2),
    ]
    with narrow(encoding) as written:
        for *arguments, code in calls:
            assert main(arguments) == code
        shown = written()
    assert "Zeit lambda [s]" in shown
    assert "codec" not in shown
    assert "Traceback" not in shown


@pytest.mark.parametrize("encoding", ["cp1252", "ascii"])
def test_what_no_table_spells_loses_its_accents_or_becomes_a_question_mark(encoding):
    with narrow(encoding) as written:
        main(["record", "Ångström-naïve-Łódź-温度-\udcff-2→3"])
        shown = written()
    assert "ngstr" in shown
    assert "-2->3" in shown
    assert "??-?-" in shown
