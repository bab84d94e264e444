"""What a command writes is text, whatever it is given."""

import pytest

from tunelab.cli import main
from tunelab.cli.terminal import plain, say_folded


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
