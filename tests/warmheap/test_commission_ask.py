"""Questions on a terminal, in a file, and answered by nobody."""

import os
import pty
from math import isnan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.commissioning_plan import BUCKETS, TAPE_QUESTION, Question
from warmheap.commission_ask import LEFT_OUT, Prepared, Terminal, answers_in, coil_answer, understood
from warmheap.errors import UsageError
from warmheap.units import QuantityError

READY = Question("bucket-1-ready", "Ready?", "1")
BUCKET = Question("bucket-1", "How many?", "litre")


@pytest.fixture
def typed():
    """A terminal on a pipe: (terminal, type into it, what it said, close the other end)."""
    theirs, ours = os.pipe()
    said = []
    yield Terminal(said.append, theirs), lambda text: os.write(ours, text.encode()), said, lambda: os.close(ours)
    os.close(theirs)


def test_it_never_waits_and_shows_a_question_once(typed):
    terminal, _, said, _ = typed
    assert all(isnan(terminal.poll(TAPE_QUESTION)) for _ in range(5))
    assert len(said) == 1 and "How many litres" in said[0] and "Enter alone leaves it out" in said[0]


@pytest.mark.parametrize(("line", "litres"), [("48 L", 48.0), ("10 gal", 37.854), ("0.05 m3", 50.0), ("", LEFT_OUT)])
def test_a_number_with_its_unit_or_nothing(typed, line, litres):
    terminal, write, _, _ = typed
    terminal.poll(TAPE_QUESTION)
    write(line + "\n")
    assert terminal.poll(TAPE_QUESTION) == pytest.approx(litres, rel=1e-4)


@pytest.mark.parametrize("line", ["48", "forty litres", "48 kg", "-3 L", "nan L", "5000 L", "48,5 L"])
def test_what_means_nothing_is_asked_again(typed, line):
    terminal, write, said, _ = typed
    terminal.poll(TAPE_QUESTION)
    write(line + "\n")
    assert isnan(terminal.poll(TAPE_QUESTION)) and "Once more" in said[-1] and "\n" not in said[-1]
    write("48 L\n")
    assert terminal.poll(TAPE_QUESTION) == pytest.approx(48.0)


def test_enter_never_starts_the_pump_into_a_bucket(typed):
    terminal, write, said, _ = typed
    terminal.poll(READY)
    assert "Type y" in said[0]
    write("\n")
    assert terminal.poll(READY) == LEFT_OUT
    with pytest.raises(QuantityError):
        understood(READY, "no")
    assert understood(READY, "Y") == 1.0


def test_half_a_line_is_no_answer_yet(typed):
    terminal, write, _, _ = typed
    terminal.poll(BUCKET)
    write("4.")
    assert isnan(terminal.poll(BUCKET))
    write("5 L\n")
    assert terminal.poll(BUCKET) == pytest.approx(4.5)


def test_a_terminal_that_is_gone_leaves_out(typed):
    terminal, _, _, close = typed
    terminal.poll(TAPE_QUESTION)
    close()
    assert terminal.poll(TAPE_QUESTION) == LEFT_OUT


def test_what_was_typed_before_a_question_on_a_real_terminal_is_no_answer():
    ours, theirs = pty.openpty()
    terminal = Terminal(lambda text: None, theirs)
    os.write(ours, b"y\n")
    assert isnan(terminal.poll(READY))
    os.write(ours, b"y\n")
    assert terminal.poll(READY) == 1.0
    os.close(ours)
    os.close(theirs)


def test_answers_of_a_file(tmp_path):
    (tmp_path / "a.toml").write_text('coil = "48 L"\nbucket-1 = "2 L"\nbucket-2 = ""\n')
    asker = Prepared(answers_in(str(tmp_path / "a.toml")))
    assert asker.poll(TAPE_QUESTION) == pytest.approx(48.0)
    assert asker.poll(READY) == 1.0 and asker.poll(BUCKET) == pytest.approx(2.0)
    assert asker.poll(Question("bucket-2-ready", "", "1")) == LEFT_OUT
    assert asker.poll(Question(BUCKETS[2], "", "litre")) == LEFT_OUT and isnan(asker.poll(None))


@pytest.mark.parametrize("text", ['coil = "48"', 'banana = "1 L"', "coil = [", "coil = true", 'bucket-1 = "-1 L"'])
def test_a_wrong_answer_file_is_told_in_one_line(tmp_path, text):
    (tmp_path / "a.toml").write_text(text)
    with pytest.raises(UsageError) as told:
        answers_in(str(tmp_path / "a.toml"))
    assert "a.toml" in str(told.value) and "\n" not in str(told.value)


def test_a_missing_file_and_a_wrong_option_are_told():
    with pytest.raises(UsageError):
        answers_in("/nowhere/a.toml")
    with pytest.raises(UsageError) as told:
        coil_answer("lots")
    assert "--coil" in str(told.value)


@given(st.text(max_size=80))
def test_no_text_breaks_it(text):
    for question in (TAPE_QUESTION, READY):
        try:
            assert understood(question, text) >= LEFT_OUT
        except QuantityError:
            continue
