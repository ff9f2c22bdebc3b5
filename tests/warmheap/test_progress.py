"""Progress: bars on a terminal, a few lines elsewhere."""

import io

from warmheap.progress import PREPARING, LiveDisplay, PlainDisplay, display


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_a_pipe_gets_four_lines_a_season():
    stream = io.StringIO()
    with display(120, stream) as shown:
        for quarter_days in range(1, 481):
            shown.told("steady", quarter_days / 4 - 0.01, 50.0)
    assert stream.getvalue().splitlines() == [
        PREPARING,
        "steady: 30 of 120 days, core 50 °C",
        "steady: 60 of 120 days, core 50 °C",
        "steady: 90 of 120 days, core 50 °C",
        "steady: 120 of 120 days, core 50 °C",
    ]


def test_a_pipe_hears_of_the_search_too():
    stream = io.StringIO()
    plain = PlainDisplay(120, stream)
    for done in range(1, 9):
        plain.searched(done, 8)
    assert [line for line in stream.getvalue().splitlines() if "search" in line] == [
        f"search: {done} of 8 seasons" for done in (2, 4, 6, 8)
    ]


def test_a_terminal_gets_a_bar_with_days_and_core():
    stream = Terminal()
    with display(120, stream) as shown:
        assert isinstance(shown, LiveDisplay)
        shown.told("steady", 30.0, 51.6)
        shown.searched(3, 9)
        shown.told("steady", 119.99, 45.0)
        tasks = {task.description: task for task in shown.bars.tasks}
    assert tasks["steady"].finished
    assert tasks["steady"].fields["now"] == "120 of 120 days, core 45 °C"
    assert tasks["searching the best fixed rule"].completed == 3
    assert not tasks[PREPARING].visible
    assert "steady" in stream.getvalue()
