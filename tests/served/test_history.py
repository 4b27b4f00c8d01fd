"""Texts are gone back to and forth, as far as the one that was opened."""

from synth.served.history import MOST, History


def test_back_and_forth():
    history = History(["a"])
    for text in "bcd":
        history.take(text, ours=True)
    assert (history.back, history.forth) == ("c", None)
    history.at -= 2
    assert (history.back, history.forth) == ("a", "c")


def test_what_was_taken_back_is_forgotten_with_the_next_change():
    history = History(["a"])
    history.take("b", ours=True)
    history.at = 0
    history.take("c", ours=False)
    assert history.texts == ["a", "c"]
    assert history.forth is None


def test_only_what_came_from_here_or_has_a_copy_is_ours():
    history = History(["a"])
    history.take("b", ours=True)
    history.take("c", ours=False)
    assert [history.ours(each) for each in "abc"] == [False, True, False]
    history.kept("c")
    assert history.ours("c")


def test_the_opened_text_outlives_any_number_of_changes():
    history = History(["opened"])
    for number in range(MOST + 50):
        history.take(str(number), ours=True)
    assert history.texts[0] == "opened"
    assert history.texts[history.at] == str(MOST + 49)
    assert len(history.texts) <= MOST + 1
