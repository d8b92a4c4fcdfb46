"""What the command's exit codes mean: the one list. The help's last lines are made from it, and a test holds the table
of `herdbook help trouble` to it."""

from __future__ import annotations

from dataclasses import dataclass

ANY, SCANS, ACCEPT = "Exit codes", "scans and looks also", "accept also"


@dataclass(frozen=True, slots=True)
class ExitCode:
    """of: whose it is. short: for the help. meaning: for the manual, where it may share a row with the next."""

    code: int
    of: str
    short: str
    meaning: str


EXIT_CODES = (
    ExitCode(0, ANY, "done", "done, nothing to call anyone about"),
    ExitCode(1, ANY, "night too long", "a night took longer than `[night] limit_h`; what was committed stays"),
    ExitCode(2, ANY, "arguments or settings", "arguments or settings"),
    ExitCode(3, ANY, "profile or plan", "a profile, a DBC file or a test plan"),
    ExitCode(4, ANY, "log or sidecar", "a log, a sidecar or a sheet of entries"),
    ExitCode(5, ANY, "store", "the store is missing, damaged or out of room; a file cannot be written"),
    ExitCode(6, ANY, "store busy", "another process is writing to the store: try again"),
    ExitCode(7, ANY, "not known", "a vehicle, rule or name that is not known"),
    ExitCode(8, ANY, "a check does not hold", "a check does not hold"),
    ExitCode(9, ANY, "a bus", "a CAN bus cannot be opened, or went away while it was listened to"),
    ExitCode(70, ANY, "fault of Herdbook", "a fault of Herdbook itself: it says where its report lies"),
    ExitCode(130, ANY, "stopped by you", "stopped by Ctrl-C; what was committed stays"),
    ExitCode(
        10,
        SCANS,
        "service news",
        "a scan: a service finding is new or worse, or logs newly contradict a profile; a look: one stands",
    ),
    ExitCode(20, SCANS, "stop-use news", "a scan: a stop-use finding is new or worse; a look: one stands"),
    ExitCode(30, SCANS, "logs in quarantine", "logs went to quarantine"),
    ExitCode(40, SCANS, "vehicles not assessed", "vehicles could not be assessed"),
    ExitCode(50, ACCEPT, "failed", "a test of a unit (`herdbook accept`): failed; 0 is passed"),
    ExitCode(60, ACCEPT, "not decided", "a test of a unit (`herdbook accept`): not decided"),
)


def closing_words() -> str:
    """The last lines of the command's help."""
    by_owner: dict[str, list[str]] = {}
    for one in EXIT_CODES:
        by_owner.setdefault(one.of, []).append(f"{one.code} {one.short}")
    return " · ".join(f"{of}: {' · '.join(said)}" for of, said in by_owner.items())


def table() -> list[str]:
    """The rows of the manual's table, in the order of the codes."""
    return [f"| {one.code} | {one.meaning} |" for one in sorted(EXIT_CODES, key=lambda one: one.code)]
