"""The folder that a client gets.

In: a design, scores, a folder. Out: `index.html`, `proposal.pdf`, `audio/`, `drawings/`, and `words.md`, which is
written once and then belongs to the maker.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from synth.design.instrument import Instrument
from synth.design.rooms import RoomNoise
from synth.design.schema import Design
from synth.errors import InputError
from synth.files import check_folder, make_folder, whole_set, write_text
from synth.frozen import frozen
from synth.many import many
from synth.page.build import page
from synth.proposal.contents import sections
from synth.proposal.facts import Facts, check_scores_apart, facts_of
from synth.proposal.markdown import parsed_blocks
from synth.proposal.page import BLIND, PLAYED, proposal_page
from synth.proposal.paper import write_print
from synth.proposal.sounds import RenderedSound, check_scores, jobs_of, places_of, rendered, write_sounds
from synth.sound.audio import RATE
from synth.sound.file_sets import set_members
from synth.sound.render import scene
from synth.version import __version__
from synth.workshop.bent_template import bent_templates
from synth.workshop.cautions import CAUTIONS, HEADING
from synth.workshop.cut_list_pages import cut_list_document, write_csv
from synth.workshop.drawing import write_dxf, write_svg
from synth.workshop.drawing_sheet import drawing_sheet
from synth.workshop.listening import Heard, listening_page
from synth.workshop.paper import write_html, write_pages
from synth.workshop.picture import Sheet, write_pdf_sheet, write_svg_sheet
from synth.workshop.spectrograms import Panel, tone_levels
from synth.workshop.template import flat_template
from synth.workshop.tiling import write_pdf
from synth.workshop.variant_sounds import Watch

WORDS: Final = "words.md"
LONGEST: Final = 200_000  # bytes of it
MARK: Final = f"Sounds, drawings and figures computed with Tinewright {__version__}."


@frozen
class ProposalMade:
    """What was written, for the one who asked: how many sounds, at which gain, whether the words were kept."""

    sounds: int
    gain_db: float
    words_kept: bool
    megabytes: float
    total: float
    priced: bool
    unpriced: tuple[str, ...] = ()  # what is in no sum


def write_proposal(
    design: Design,
    instrument: Instrument,
    scores: Sequence[Path],
    folder: Path,
    *,
    room: str = "",
    blind: bool = False,
    fresh: bool = False,
    watch: Watch = lambda items, count: iter(items),
) -> ProposalMade:
    """The whole folder, or nothing of it. Raises `InputError`."""
    check_folder(folder)
    check_scores_apart([each.stem for each in scores])
    check_scores(scores, instrument)
    words, kept = _words(design, instrument, folder)
    facts = facts_of(design, instrument, room=room, fresh=fresh)
    sounds = _sounds(facts, scores, watch)
    sheet = drawing_sheet(instrument, facts.row.length, facts.row.trim, facts.board)
    held = {PLAYED: page([scene(instrument, each) for each in facts.through]).text}
    if blind:
        held[BLIND] = _blind(facts, sounds)
    with whole_set(folder) as beside:
        files, gain = write_sounds(sounds, beside)
        _drawings(facts, sheet, make_folder(beside / "drawings"))
        found = sections(facts, parsed_blocks(words), sheet, files, gain_db=gain, blind=blind)
        text = proposal_page(facts.title, found, held, foot=MARK)
        write_text(beside / "index.html", text)
        write_print(facts.title, found, beside / "proposal.pdf", paper=instrument.bench.paper, foot=MARK)
        if not kept:
            write_text(beside / WORDS, words)
    costs = facts.costs
    size = len(text.encode()) / 1e6
    return ProposalMade(len(files), gain, kept, size, costs.total, costs.any, costs.unpriced)


def _words(design: Design, instrument: Instrument, folder: Path) -> tuple[str, bool]:
    """The maker's words, and whether they stood in the folder."""
    path = folder / WORDS
    if not path.exists():
        given = "\n\n".join(design.proposal.text)
        count = f"{many(len(instrument.tines), 'tine')} in {many(len(instrument.groups), 'group')}"
        return (given or f"A bar with {count}, stroked with a thin stick.") + "\n", False
    try:
        content = path.read_bytes()
        if len(content) > LONGEST:
            raise InputError("is too long", remedy=f"at most {LONGEST // 1000} kB of words", file=str(path))
        return content.decode("utf-8-sig"), True
    except (OSError, UnicodeDecodeError) as failure:
        raise InputError(
            f"cannot be read ({failure})", remedy="save it as text in UTF-8", file=str(path)
        ) from failure


def _sounds(facts: Facts, scores: Sequence[Path], watch: Watch) -> list[RenderedSound]:
    room = facts.room
    places = places_of(room.name if room else "", room is not None and room.noise != RoomNoise())
    jobs = jobs_of(facts.instrument, scores, group=facts.group, through=facts.through, places=places)
    return rendered(jobs, watch)


def _drawings(facts: Facts, sheet: Sheet, folder: Path) -> None:
    """The drawing, the cut list and the drill template, as the commands of these names write them."""
    instrument = facts.instrument
    paper = instrument.bench.paper
    write_svg_sheet(sheet, folder / "drawing.svg")
    write_pdf_sheet(sheet, folder / "drawing.pdf")
    document = cut_list_document(instrument, facts.cuts)
    write_csv(instrument, facts.cuts, folder / "cutlist.csv")
    write_pages(document, folder / "cutlist.pdf", paper=paper)
    write_html(document, folder / "cutlist.html")
    bent = bent_templates(instrument)
    drawings = {"template-flat" if bent else "template": flat_template(instrument)}
    drawings |= {f"template-bent-{name.replace(' ', '-')}": each for name, each in bent.items()}
    for name, drawing in drawings.items():
        write_dxf(drawing, folder / f"{name}.dxf")
        write_svg(drawing, folder / f"{name}.svg")
        write_pdf(drawing, folder / f"{name}.pdf", paper=paper, notes=(HEADING, *CAUTIONS))


def _blind(facts: Facts, sounds: Sequence[RenderedSound]) -> str:
    """The page that asks which of two is preferred, over the example stroke without the room's noise."""
    strokes = [each for each in sounds if each.title == sounds[0].title and not each.surroundings.noise]
    members = set_members({f"{each.through}, {each.where}": each.pressure for each in strokes})
    partials = facts.row.modes.frequency[facts.instrument.groups[facts.group].tines, 0, 0]
    heard = [
        Heard(
            chosen=(("through", each.through), ("where", each.where)),
            pressure=each.pressure,
            true_db=member.true_gain_db,
            matched_db=member.matched_gain_db,
            level_dba=each.loudness.loudest,
            panel=Panel(
                member.name,
                each.pressure.shape[1] / RATE,
                tone_levels(each.pressure),
                tuple(sorted(partials.tolist())),
            ),
        )
        for each, member in zip(strokes, members, strict=True)
    ]
    title = f"{facts.title}: {strokes[0].title}"
    return listening_page(heard, [], title=title, a4_hz=facts.instrument.a4)
