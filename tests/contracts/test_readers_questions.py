"""The reader's test: twenty maintenance questions, each with the file a newcomer should open.

Taken by someone who has not read the code, with nothing but a listing of file names: two
guesses a question, a hit when the file is among them, half a point for its folder. At least
eighteen of twenty are wanted. A fresh reader had 17 hits, two more in the right folder; missed
were the time column, the tip and the key of a unit, whose files were named anew for it, and two
questions worded anew. Another fresh reader then had 20, with `git ls-files` and nothing else.
After that some rooms got inner folders; file names stayed.

Another form, taken since by somebody who knew a third of the files: of twenty files drawn with
a fixed seed only the first sentence of the docstring was shown, the words of the file's own
path masked, and two guesses were written down from `git ls-files` before any answer was seen:
17 hits, one more in the right folder. Missed: `pages/signoff.py`, `archive/care/verify_tables.py`,
`library_pages/library_intake.py`. After a move or a renaming, take it again with a fresh reader.
"""

from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

QUESTIONS: tuple[tuple[str, str], ...] = (
    (
        "A joint moved 0.6 deg while its brake was engaged and came back: what measures that?",
        "replay/signals/brakes/slips.py",
    ),
    (
        "A brake's word follows its release command by 0.2 s, and 0.4 s is shown: what times it?",
        "replay/signals/brakes/release_answers.py",
    ),
    (
        "The friction in the seconds after a brake release is measured too small: where?",
        "replay/signals/brakes/drag.py",
    ),
    (
        "Speeds computed from angles are too noisy at 10 Hz: what computes them?",
        "replay/signals/motion/rates.py",
    ),
    (
        "A slow motion is cut in two: what decides where a joint moves and where it is held?",
        "replay/signals/motion/segments.py",
    ),
    (
        "One wild session pulls a fitted line: where are such fits made?",
        "replay/statistics/regression.py",
    ),
    (
        "Too many trends are called by chance alone: what allows for many tests at once?",
        "replay/statistics/false_discovery.py",
    ),
    (
        "Decimal commas are misread: what finds out how a text table is laid out?",
        "replay/logs/readers/dialect.py",
    ),
    (
        "A proposed log map takes a heading `Mot_I` for a temperature: what reads headings?",
        "replay/logs/proposing/names.py",
    ),
    (
        "Seconds since midnight get the wrong date: what turns a column of instants into UTC?",
        "replay/cleaning/times/time_column.py",
    ),
    (
        "Two files of one session became two sessions: what puts files into one session?",
        "replay/cleaning/session_grouping.py",
    ),
    (
        "A log that meets a stored session in time is taken in silently: what looks for that?",
        "replay/cleaning/overlap.py",
    ),
    (
        "An archive of last year's program does not open: what brings it up to date?",
        "replay/archive/migrations.py",
    ),
    (
        "In summer every joint seems to wear: what adjusts wear for temperature and load?",
        "replay/wear/histories/covariate_adjustment.py",
    ),
    (
        "The date at which a limit will be reached is too early: what projects it?",
        "replay/wear/assessment/projection.py",
    ),
    (
        "A mechanic's note on a replaced unit is lost: where are such notes kept?",
        "replay/wear/units/maintenance.py",
    ),
    (
        "The tip's place is wrong when the arm stands on its other end: what computes it?",
        "replay/arm/forward_kinematics.py",
    ),
    (
        "In the replay the mouse wheel zooms the wrong way: what handles the mouse?",
        "dashboards/assets/replay_8_pointer.js",
    ),
    (
        "The event page lists past motions that are not like the event's own: what fetches them?",
        "dashboards/queries/event/similar_motions.py",
    ),
    (
        "Two arms without serial numbers share one history: where is the key of a unit made?",
        "replay/unit_keys.py",
    ),
)


def test_there_are_twenty_questions_and_as_many_answers():
    assert len(QUESTIONS) == 20
    assert len({q for q, _ in QUESTIONS}) == len({a for _, a in QUESTIONS}) == 20


@pytest.mark.parametrize(("question", "answer"), QUESTIONS)
def test_an_answer_is_a_file_and_the_question_does_not_give_it_away(question, answer):
    assert (ROOT / answer).is_file()
    assert Path(answer).stem not in question.replace(" ", "_")
