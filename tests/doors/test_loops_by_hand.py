"""What the main threads of `live` and `tune --listen` do, with nothing that sounds, hears or is solved."""

import math
from collections import deque
from contextlib import contextmanager
from types import SimpleNamespace

import click
import pytest

from synth.doors import listening_tuner, live, live_session
from synth.doors.drivers import LostError
from synth.doors.listening_tuner import TunerSettings
from synth.doors.live_session import Setting
from synth.recording import tuning_session
from synth.recording.tuning_session import TuningWishes


def played(keys, *, seconds=None, there=True, looks=(), remarks=()):
    """What the loop does with these reads of the keyboard, one each 0.3 s."""
    now, typed, done = [0.0], deque(keys), []

    def read(wait):
        assert wait == pytest.approx(0.02)
        now[0] += 0.3
        return typed.popleft()

    performer = SimpleNamespace(remarks=deque(remarks))
    stage = SimpleNamespace(
        setting=Setting(seconds=seconds),
        hear=lambda key: done.append(("heard", key)),
        performer=performer,
        status=lambda: f"at {now[0]:.1f}",
        fault=None,
    )
    speaker = SimpleNamespace(there=there)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("synth.doors.live.time.perf_counter", lambda: now[0])
        live._loop(
            stage,
            speaker,
            live._Sources(tuple(looks), read),
            tell=lambda line: done.append(("told", line)),
            show=lambda line: done.append(("shown", line)),
        )
    return done


@pytest.mark.parametrize("end", ["q", "\x1b", "\x03", "\x04", "aq"])
def test_any_of_the_keys_that_end_ends_and_others_are_played(end):
    assert played(["ad", "", end]) == [
        ("heard", "a"),
        ("heard", "d"),
        ("shown", "at 0.3"),
        ("shown", "at 0.6"),
    ]


def test_it_ends_after_so_many_seconds():
    assert played([""] * 5, seconds=1.0) == [("shown", f"at {n * 0.3:.1f}") for n in (1, 2, 3, 4)]


def test_what_the_performer_remarks_and_ports_say_is_told_each_second():
    asked = []

    def look(word):
        asked.append(word)
        return "gone" if word == "b" else ""

    looks = [lambda: look("a"), lambda: look("b")]
    done = played([""] * 8 + ["q"], looks=looks, remarks=["first", "second"])
    assert done[:3] == [("told", "first"), ("told", "second"), ("shown", "at 0.3")]
    assert asked == ["a", "b"] * 2  # after 1.2 and 2.4 s
    assert done.count(("told", "gone")) == 2


def test_a_device_that_is_gone_ends_it():
    with pytest.raises(LostError, match="sound device is gone"):
        played([""] * 3, there=False)


@pytest.mark.parametrize(("lost", "cut", "kept"), [("", False, True), ("gone", True, False)])
def test_a_take_is_told_with_its_script_its_length_and_what_went_wrong(
    monkeypatch, tmp_path, lost, cut, kept
):
    take, made, told = tmp_path / "evening.wav", [], []
    take.write_bytes(b"sound")
    setting = Setting(record=take, gain_db=-3.0, ceiling_db=-9.0, device="2", block=128)
    scene = SimpleNamespace(model=SimpleNamespace(pole=[1, 2, 3]), radiator="ears")
    speaker = SimpleNamespace(seconds=12.34, cut=cut)
    stage = SimpleNamespace(
        make_ready=lambda: made.append("ready"), performer="player", summary=lambda: "summary", fault=None
    )
    monkeypatch.setattr(live, "Speaker", lambda job: made.append(job) or speaker)
    monkeypatch.setattr(live, "Stage", lambda *given: made.append(given) or stage)
    monkeypatch.setattr(live, "_run", lambda *given, **words: made.append(given) or lost)
    monkeypatch.setattr(live, "write_script", lambda *given, **words: made.append((given, words)) or kept)
    assert live.live(scene, setting, tell=told.append, show=None) is not bool(lost)
    job, staged, ready, ran, written = made
    assert vars(job) == {
        "pole": [1, 2, 3], "radiator": "ears", "device": "2", "silent": False, "block": 128,
        "gain_db": -3.0, "ceiling_db": -9.0, "record": take,
    }  # fmt: skip
    assert (staged, ready, ran) == ((scene, setting, speaker), "ready", (stage, speaker))
    assert written == ((take.with_suffix(".toml"), "player"), {"name": "evening", "seconds": 12.34})
    beside = f"; played again by {take.with_suffix('.toml')}" if kept else ""
    assert told == [
        "making ready: 3 modes",
        *([f"warning: {take} ends early, for the disk took no more"] if cut else []),
        f"{take}: 12.3 s{beside}",
        "summary",
        *(["ended: gone"] if lost else []),
    ]


@pytest.fixture
def bench(monkeypatch, tmp_path):
    """A session that keeps what it is asked, and sound of two blocks, of which the second was lost."""
    done = []

    class Session:
        def __init__(self, instrument, row, wishes, *, rate, path):
            done.append((instrument, row, wishes, rate, path))
            self.progress = SimpleNamespace(moved=dict, order=(0, 1), left=lambda: [1], within=3.0)
            self.listener = SimpleNamespace(deafen=lambda seconds: done.append(("deaf", seconds)))
            self.trouble = trouble

        def __getattr__(self, name):
            return lambda *given: done.append((name, *given)) or []

    @contextmanager
    def heard(settings):
        yield 44_100, iter(["block", None]) if isinstance(blocks, str) else blocks, None

    @contextmanager
    def keys():
        done.append(("keys",))
        yield lambda wait: "x"

    blocks, trouble = "usual", ""
    monkeypatch.setattr(tuning_session, "TuningSession", Session)
    monkeypatch.setattr("synth.vibration.solve.solve_row", lambda instrument: f"row of {instrument}")
    monkeypatch.setattr(listening_tuner, "_heard", heard)
    monkeypatch.setattr(listening_tuner, "_keys", keys)

    def listen(settings, given="usual", kept_in_vain=""):
        nonlocal blocks, trouble
        blocks, trouble = given, kept_in_vain
        listening_tuner.listen_and_tell("rail", tmp_path / "rail.toml", settings, TuningWishes(within=4.0))
        return done

    return SimpleNamespace(listen=listen, done=done)


def test_a_microphone_is_rehearsed_before_the_first_tap_and_its_keys_are_read(bench, tmp_path):
    done = bench.listen(TunerSettings())
    asked = ("rail", "row of rail", TuningWishes(within=4.0), 44_100, tmp_path / "rail.tuning.toml")
    assert done == [asked, ("rehearse",), ("begin",), ("keys",), ("feed", "block"), ("lost",), ("finish",)]


def test_a_recording_is_played_through_as_it_is(bench, tmp_path, capsys):
    done = bench.listen(TunerSettings(recording=tmp_path / "a.wav"))
    assert [each[0] for each in done[1:]] == ["begin", "feed", "lost", "finish"]
    assert capsys.readouterr().out == "1 of 2 tines are in tune.\n"


def test_where_the_work_could_not_be_kept_is_told_last(bench, tmp_path, capsys):
    bench.listen(TunerSettings(recording=tmp_path / "a.wav"), kept_in_vain="kept elsewhere")
    assert capsys.readouterr().out == "1 of 2 tines are in tune.\nkept elsewhere\n"


@pytest.mark.parametrize(
    ("ending", "told"), [(KeyboardInterrupt(), ""), (LostError("mic is gone"), "ended: mic is gone")]
)
def test_whatever_ends_the_listening_how_far_it_came_is_told(bench, capsys, ending, told):
    def blocks():
        yield "block"
        raise ending

    if isinstance(ending, LostError):
        with pytest.raises(click.exceptions.Exit) as left:
            bench.listen(TunerSettings(), blocks())
        assert left.value.exit_code == 1
    else:
        bench.listen(TunerSettings(), blocks())
    assert capsys.readouterr().out.splitlines() == [told, "1 of 2 tines are in tune."]
    assert ("finish",) not in bench.done


@pytest.mark.parametrize(("page", "phone"), [("this machine", False), ("a phone", True)])
def test_figures_are_shown_on_this_machine_alone_unless_a_phone_is_asked_for(
    monkeypatch, capsys, page, phone
):
    from synth.served import address, serving

    served = []

    @contextmanager
    def tuner_served(feed, at):
        served.append(at)
        yield SimpleNamespace(words="http://here/")

    monkeypatch.setattr(address, "for_a_phone", lambda: "open to the network")
    monkeypatch.setattr(address, "Address", lambda port, secret: ("this machine", port, len(secret)))
    monkeypatch.setattr(serving, "tuner_served", tuner_served)
    with listening_tuner._page(SimpleNamespace(name="Rail"), page, None) as feed:
        assert feed is not None
    (at,) = served
    assert at == "open to the network" if phone else at[:2] == ("this machine", 0)
    assert capsys.readouterr().out == "the tuner's page: http://here/\n"
    with listening_tuner._page(SimpleNamespace(name="Rail"), None, None) as none:
        assert none is None


def test_a_tone_is_deaf_to_itself_as_long_as_it_lasts_and_its_echo_comes(bench):
    done = []
    session = SimpleNamespace(listener=SimpleNamespace(deafen=done.append))
    cues = SimpleNamespace(play=lambda cue: done.append(cue) or 0.4)
    tuner = listening_tuner._Bench(session, None, cues)
    tuner._cue({"at_s": 1.0, "cents": -8.0, "cents_sd": 1.0, "in_tune": False})
    assert done == ["flat", pytest.approx(0.7)]
    assert math.isclose(tuner._cued, 1.0)


@pytest.mark.parametrize(("record", "kept"), [(None, False), ("take.wav", True)])
def test_what_is_played_is_kept_only_where_it_is_recorded(monkeypatch, record, kept):
    """The contact's settings and the block in seconds, of 48 000 samples."""
    made = []
    performer = SimpleNamespace(latency=0.0, rehearse=lambda: 0.004)
    monkeypatch.setattr(
        live_session, "Performer", lambda *given, **words: made.append((given, words)) or performer
    )
    for name in ("Keys", "HomeRow"):
        monkeypatch.setattr(live_session, name, lambda instrument: instrument)
    scene, setting = (
        SimpleNamespace(instrument="rail"),
        Setting(record=record, block=96, latency=0.03, allow_yield=True),
    )
    stage = live_session.Stage(scene, setting, "sound")
    (given, words) = made[0]
    assert given == (scene, "sound")
    assert (words["block"], words["kept"]) == (pytest.approx(0.002), kept)
    assert words["settings"].allow_yield is True
    stage.make_ready()
    assert performer.latency == pytest.approx(0.034)


@pytest.mark.parametrize("tones", [False, True])
def test_sound_comes_in_blocks_at_its_own_rate_and_tones_go_out_at_it(monkeypatch, capsys, tones):
    """From a recording, or from the microphone in its process, which plays its tones itself."""
    opened = []

    @contextmanager
    def opens(*given, **words):
        opened.append((given, words))
        yield "apart"

    take = SimpleNamespace(rate=44_100, samples=list(range(600)), file="a.wav", warnings=["clipped"])
    monkeypatch.setattr("synth.doors.devices.sound_device", opens)
    monkeypatch.setattr("synth.doors.microphone_process.microphone_apart", opens)
    monkeypatch.setattr(
        "synth.recording.audio_input.read_recording", lambda path, **_: opened.append(path) or take
    )
    with listening_tuner._heard(TunerSettings(recording="a.wav", device="2", tones=tones)) as (
        rate,
        blocks,
        cues,
    ):
        assert rate == 44_100
        assert list(blocks) == [take.samples[:256], take.samples[256:512], take.samples[512:]]
        assert (cues is not None) is tones
        assert opened[0] == "a.wav"
        played = ((None, cues.fill), {"rate": 44_100, "block": 256, "channels": 1}) if tones else None
        assert opened[1:] == ([played] if tones else [])
    assert capsys.readouterr() == ("", "warning: a.wav: clipped\n")
    del opened[:]
    with listening_tuner._heard(TunerSettings(device="2", tones=tones)) as heard:
        assert heard == (48_000, "apart", "apart" if tones else None)
    assert opened == [(("2",), {"rate": 48_000, "block": 256, "tones": tones})]
