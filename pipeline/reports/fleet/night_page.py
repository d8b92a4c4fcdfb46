"""The page of the night itself: the run, what came in, decoding, room; and where each question is answered."""

from __future__ import annotations

from typing import TYPE_CHECKING

from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.times import utc_now

if TYPE_CHECKING:
    from herdbook.pipeline.herd.overview import Overview
    from herdbook.pipeline.store.statements import Row

EXITS = {
    0: "nothing to call anyone about",
    10: "service findings are new or worse, or the whole fleet is quiet",
    20: "stop-use findings are new or worse",
    30: "complete, but logs went to quarantine",
    40: "complete, but vehicles could not be assessed",
}
Place = tuple[str, str]  # words and link; no link: a command
QUESTIONS: tuple[tuple[str, tuple[Place, ...]], ...] = (
    ("Did the run finish, and over which vehicles and files?", (("The run", "#run"), ("What came in", "#came"))),
    ("What is new since the last night?", (("What changed", "index.html#changes"),)),
    ("Which vehicles must not be used today?", (("Must not be used", "index.html#stop"),)),
    (
        "Whom to call this week, who can wait?",
        (
            ("What changed, by severity", "index.html#changes"),
            ("Register: service, note", "index.html#register?only=1"),
        ),
    ),
    ("Which reports were expected and did not come?", (("Silent", "index.html#silent"),)),
    (
        "Which could not be assessed, and why?",
        (
            ("Register: not assessed", "index.html#register?only=unknown"),
            ("each vehicle's page, Not judged", "index.html#register"),
        ),
    ),
    ("One cause or many?", (("One cause or many", "index.html#shared"),)),
    ("Are there more findings than the usual false rate gives?", (("Usual false rate", "index.html#shared"),)),
    ("Did a decode or unit change slip in?", (("Decoding and units", "#decoding"),)),
    (
        "Which files failed, why, and can they be tried again?",
        (("Quarantine", "index.html#quarantine"), ("herdbook quarantine --retry", "")),
    ),
    ("Were duplicates removed, how many?", (("What came in", "#came"),)),
    ("Did any clock jump?", (("Clocks in doubt", "#came"),)),
    ("What went away, and did anyone act?", (("What changed: gone", "index.html#changes"),)),
    (
        "Is a batch or firmware over-represented?",
        (("One cause or many", "index.html#shared"), ("Batches compared", "herd.html#factors")),
    ),
    ("Which causes touch most vehicles?", (("Most frequent", "index.html#causes"),)),
    (
        "Which vehicles drift fastest toward a limit?",
        (("Drifting", "index.html#drift"), ("Where figures are going", "herd.html#courses")),
    ),
    ("Which stand near empty or full for weeks?", (("Parked, charging", "index.html#standing"),)),
    ("Who charges below freezing, or never full?", (("Parked, charging", "index.html#standing"),)),
    ("How long did it take, and will tomorrow fit?", (("Time", "#run"),)),
    ("Is the result the same when run again?", (("The same again", "#again"), ("herdbook backfill", ""))),
    ("What does the exit code say?", (("The run", "#run"), ("herdbook --help", ""))),
    ("What is muted, by whom, until when?", (("Muted", "index.html#muted"), ("herdbook mute", ""))),
    ("Can one bad file stop the night?", (("The run", "#run"), ("Quarantine", "index.html#quarantine"))),
    (
        "Where is the evidence, to the second and the file?",
        (("each vehicle's page", "index.html#register"), ("herdbook dossier VEHICLE", "")),
    ),
    ("How much room is left, what is kept, what is private?", (("Room", "#room"), ("herdbook store show", ""))),
)


def text(herd_wide: Overview, scan: Row | None) -> str:
    """The page, for the folder of the fleet page."""
    return html.render(
        "night.html.j2",
        h=herd_wide,
        scan=scan,
        exits=EXITS,
        alarms=sum(s.alarm for s in herd_wide.steps) + sum(n["is_new"] for n in herd_wide.networks),
        questions=QUESTIONS,
        link=lambda vehicle: f"vehicles/{html.file_name(vehicle)}.html",
        made=numbers.moment(utc_now(), None),
    )
