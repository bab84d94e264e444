"""What a command writes is text, whatever it is given."""

import pytest

from tunelab.cli import main
from tunelab.cli.terminal import plain


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
