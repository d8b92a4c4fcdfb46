"""What a stretch of listening came to, in sentences or as JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.commands.terminal import screen
from herdbook.pipeline.commands.terminal.live_rows import beyond_words

if TYPE_CHECKING:
    from herdbook.pipeline.bench.live.listening import Listening
    from herdbook.pipeline.vehicle.profile import Profile

MOST_UNKNOWN = 8


def say_summary(listening: Listening, profile: Profile | None) -> None:
    count, recording = listening.count(), listening.recording
    lost = f"{count.lost:,} LOST on the way here" if count.lost else "none lost on the way here"
    frames, errors = screen.plural(count.frames, "frame"), screen.plural(count.error_frames, "error frame")
    screen.say(f"Heard {frames}, {lost}; {errors}.")
    if not count.frames:
        screen.say("Nothing came. Check bit rate, wiring and termination, and that something on the bus speaks.")
    if count.overruns:
        times = screen.plural(count.overruns, "time")
        screen.say(f"The interface itself ran over {times}: it lost frames, and nobody knows how many.")
    if count.bus_off:
        screen.say("An interface left the bus (bus off): look at bit rate, wiring and termination.")
    for label in listening.shifted:
        screen.say(f"The interface of {label} has a clock of its own; its first frame was set to this computer's time.")
    if count.delay_ms is not None:
        screen.say(f"Of 100 frames 99 were decoded within {count.delay_ms:.0f} ms.")
    if listening.undecoded:
        screen.say(f"Decoding ended early ({listening.undecoded}); please report it. The log is whole.")
    if listening.newest is not None and count.unknown:
        few = listening.newest.decoder.tally.unknown.most_common(MOST_UNKNOWN)
        named = ", ".join(f"{label} {number:0{8 if wide else 3}X}" for (label, number, wide), _ in few)
        screen.say(f"{screen.plural(count.unknown, 'frame')} not in the profile's DBC files, such as {named}.")
    for r in listening.readings() if profile is not None else ():
        if r.beyond and profile is not None:
            screen.point(f"{beyond_words(r, profile)}, in {screen.plural(r.beyond, 'sample')}", "! ")
    if recording is not None and recording.files:
        first = screen.place(recording.files[0])
        more = f" and {len(recording.files) - 1} more" if len(recording.files) > 1 else ""
        screen.say(f"Log: {first}{more} ({recording.size / 1e6:.1f} MB)")


def as_dict(listening: Listening) -> dict[str, Any]:
    count, recording = listening.count(), listening.recording
    beyond = [
        {
            "role": r.role,
            "item": r.item,
            "samples": r.beyond,
            "worst": r.worst,
            "low": None if r.limit is None or math.isinf(r.limit.low) else r.limit.low,
            "high": None if r.limit is None or math.isinf(r.limit.high) else r.limit.high,
        }
        for r in listening.readings()
        if r.beyond
    ]
    return {
        "frames": count.frames,
        "lost": count.lost,
        "error_frames": count.error_frames,
        "overruns": count.overruns,
        "unknown": count.unknown,
        "delay_ms": count.delay_ms,
        "files": [str(path) for path in recording.files] if recording else [],
        "bytes": count.bytes,
        "gone": [str(error) for error in listening.gone],
        "beyond": beyond,
    }
