"""Frames that cantools encodes, through decoder, part and profile to roles; and what cantools decodes of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cantools
import numpy as np

from herdbook.decoders import Decoder
from herdbook.decoders.frames import EXTENDED, Frames
from herdbook.pipeline.lake.layout import layout_of_profile
from herdbook.pipeline.lake.part import Chunk, Part
from herdbook.pipeline.lake.part_writer import PartWriter
from herdbook.pipeline.lake.read import LogRef, read_signals
from herdbook.pipeline.vehicle.profile import Profile, load_profile
from herdbook.pipeline.vehicle.signals import Signals

T0 = 1_772_352_000_000_000
STEP_US = 100_000


@dataclass(frozen=True)
class Sent:
    """One frame. source: J1939 address in place of the DBC's. at: number of its step in time."""

    message: str
    values: dict[str, Any]
    at: int = 0
    channel: str = "can0"
    source: int | None = None


@dataclass(frozen=True)
class _OneLake:
    store: Path

    def open(self, part: str, _hash: str = "") -> Part:
        return Part.open(Path(part))


def profile_of(folder: Path, roles: str, *dbc: str | tuple[str, str], more: str = "") -> Profile:
    """A profile of [roles] lines beside its DBC files; dbc: text, or (channel, text)."""
    folder.mkdir(parents=True, exist_ok=True)
    buses = ""
    for i, one in enumerate(dbc):
        channel, text = one if isinstance(one, tuple) else ("", one)
        (folder / f"bus{i}.dbc").write_text(text)
        buses += f'[[bus]]\ndbc = "bus{i}.dbc"\n' + (f'channel = "{channel}"\n' if channel else "")
    path = folder / "made.toml"
    path.write_text(f'name = "made"\n[pack]\nchemistry = "LFP"\nrated_ah = 10.0\n{more}\n{buses}[roles]\n{roles}\n')
    return load_profile(path)


def encoded(profile: Profile, sent: Sequence[Sent]) -> tuple[Frames, list[dict[str, Any]]]:
    """The frames, and what cantools decodes of each."""
    files: dict[str, Any] = {label: cantools.database.load_file(path) for label, path in profile.buses}
    channels = sorted({s.channel for s in sent})
    payload = np.zeros((len(sent), 64), np.uint8)
    can_id, flags, length, decoded = [], [], [], []
    for i, one in enumerate(sent):
        database = next((f for label, f in files.items() if one.channel in label.split("|")), files.get(""))
        assert database is not None
        message = database.get_message_by_name(one.message)
        data = message.encode(one.values, strict=False)
        payload[i, : len(data)] = list(data)
        decoded.append(message.decode(data, decode_choices=False))
        can_id.append(message.frame_id if one.source is None else (message.frame_id & ~0xFF) | one.source)
        flags.append(EXTENDED if message.is_extended_frame else 0)
        length.append(len(data))
    t = np.array([T0 + s.at * STEP_US for s in sent], np.int64)
    frames = Frames(
        t=t,
        channel=np.array([channels.index(s.channel) for s in sent], np.uint8),
        can_id=np.array(can_id, np.uint32),
        flags=np.array(flags, np.uint8),
        length=np.array(length, np.uint8),
        payload=payload,
        channels=tuple(channels),
    )
    return frames, decoded


def roles_of(profile: Profile, sent: Sequence[Sent], folder: Path) -> tuple[Signals, list[dict[str, Any]]]:
    """Roles as metrics would see them, and what cantools decodes of each frame."""
    frames, decoded = encoded(profile, sent)
    decoder = Decoder(profile.network())
    decoder.add(frames)
    decoder.close()
    path = folder / "one.part"
    with PartWriter(path, layout_of_profile(profile), folder / "scratch") as writer:
        for name, table in sorted(decoder.arrays(counts=True).items()):
            writer.add(Chunk("log", name, table.in_time()))
        writer.close({"log": {}})
    end = int(frames.t.max()) + 1
    ref = LogRef(log="log", part=str(path), profile=profile.name, start=T0, end=end)
    lake: Any = _OneLake(folder)
    return read_signals(lake, [ref], [profile], "one", start=T0, end=end), decoded
