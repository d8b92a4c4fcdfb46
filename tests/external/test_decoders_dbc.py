"""Every DBC file of cantools' source archive (45.1.0, tests/files/dbc; MIT): equal to cantools, and to canmatrix.

Two oracles: cantools decodes with bitstruct, canmatrix 1.x (BSD-2) with its own bit strings. Published figures: the
motohawk example of cantools' documentation.
"""

from __future__ import annotations

import logging
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from herdbook.decoders import Network, NetworkError, decode
from tests.decoders.peers import differences, frames_of
from tests.external.fetch import folder_of

ROOT = folder_of("cantools")
FOLDER = ROOT / "cantools-45.1.0" / "tests" / "files" / "dbc" if ROOT else None
FILES = sorted(p for p in FOLDER.iterdir() if p.suffix.lower() == ".dbc") if FOLDER else []
needs_files = pytest.mark.skipif(not FILES, reason="cantools' archive is absent: run `make sources` first")
REFUSED = {
    "bad_message_length.dbc",
    "incorrect-sig_valtype.dbc",
    "incorrect-val.dbc",
    "issue_199.dbc",
    "issue_199_extended.dbc",
    "issue_63.dbc",
}


@pytest.fixture(autouse=True)
def _quiet() -> None:
    logging.getLogger("cantools").setLevel(logging.CRITICAL)


def cantools_file(path: Path) -> list[Any]:
    """Messages that cantools finds by identifier; of two with the same one, the later."""
    import cantools

    database: Any = cantools.database.load_file(path, "dbc")
    return list({(m.frame_id, m.is_extended_frame): m for m in database.messages}.values())


def payloads_for(length: int, seed: int) -> list[bytes]:
    """Random and extreme payloads, and every shorter length."""
    rng = np.random.default_rng(seed)
    full = [rng.bytes(length) for _ in range(20)] + [bytes(length), b"\xff" * length, b"\x80" * length]
    return full + [rng.bytes(n) for n in range(length)] + [rng.bytes(length)[:1] + bytes(max(0, length - 1))]


@needs_files
def test_the_archive_is_the_one_this_file_speaks_of() -> None:
    assert len(FILES) == 89


@needs_files
@pytest.mark.parametrize("path", [f for f in FILES if f.name not in REFUSED], ids=lambda p: p.name)
def test_every_value_equals_cantools(path: Path) -> None:
    network = Network.load(path)
    for i, message in enumerate(cantools_file(path)):
        if message.signals:
            assert differences(message, network, payloads_for(message.length, i)) == []


@needs_files
@pytest.mark.parametrize("name", sorted(REFUSED))
def test_what_cantools_refuses_we_refuse_by_name(name: str) -> None:
    assert FOLDER is not None
    with pytest.raises(Exception, match=r".+"):
        cantools_file(FOLDER / name)
    with pytest.raises(NetworkError, match=name):
        Network.load(FOLDER / name)


@needs_files
@pytest.mark.parametrize("name", sorted(REFUSED))
def test_leniently_each_of_them_gives_what_is_sound_and_says_what_is_not(name: str) -> None:
    """Of the six, three lack nothing but a value table or a flag, and two a signal; no message but one is lost."""
    assert FOLDER is not None
    network = Network.load(FOLDER / name, lenient=True)
    blocks = (FOLDER / name).read_text("cp1252").count("\nBO_ ")
    assert len(network.messages) == blocks - (name == "issue_199_extended.dbc")
    assert network.notes
    assert all("line " in note for note in network.notes)


@needs_files
def test_overlapping_signals_are_named_and_decoded_when_lenient() -> None:
    assert FOLDER is not None
    with pytest.raises(NetworkError, match="message AFT1PSI2: signals MaxRes and HtrRes overlap"):
        Network.load(FOLDER / "issue_63.dbc")
    network = Network.load(FOLDER / "issue_63.dbc", lenient=True)
    assert any("HtrRes" in note for note in network.notes)
    assert {s.name for s in network.by_name["AFT1PSI2"].signals} >= {"MaxRes", "HtrRes"}


@needs_files
def test_published_motohawk_frames() -> None:
    assert FOLDER is not None
    network = Network.load(FOLDER / "motohawk.dbc")
    payloads = [bytes.fromhex(h) for h in ("804A0F0000000000", "C006E00000000000", "0100200000000000")]
    table = decode(frames_of(496, payloads), network)["ExampleMessage"]
    rows = [tuple(r[k] for k in ("Enable", "AverageRadius", "Temperature")) for r in table.iter_rows(named=True)]
    assert rows[0] == (1, 0.0, pytest.approx(255.92, abs=1e-9))
    assert rows[1] == (1, pytest.approx(3.2), pytest.approx(250.55, abs=1e-9))
    assert rows[2] == (0, 0.0, pytest.approx(229.53, abs=1e-9))


@needs_files
def test_canmatrix_agrees_over_all_files() -> None:
    """Physical values of full-length random payloads of all files that canmatrix loads; at least 10,000 of them."""
    compared = 0
    for path in FILES:
        if path.name in REFUSED or not (frames := _canmatrix(path)):
            continue
        network = Network.load(path)
        for frame in frames:
            compared += _agree(frame, network, path.name)
    assert compared > 10_000


def _canmatrix(path: Path) -> list[Any]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        logging.disable(logging.CRITICAL)
        try:
            import canmatrix.formats

            return [frame for m in (canmatrix.formats.loadp(str(path)) or {}).values() for frame in m.frames]
        except Exception:  # canmatrix refuses a few files that cantools loads
            return []
        finally:
            logging.disable(logging.NOTSET)


def _agree(frame: Any, network: Network, file: str) -> int:
    """Values compared; canmatrix gives decimals and keeps floats of 16 bits as integers, so those are left out."""
    found = [
        m
        for m in network.messages
        if (m.can_id, m.extended) == (frame.arbitration_id.id, frame.arbitration_id.extended)
    ]
    if not found or frame.is_complex_multiplexed or not found[-1].length:
        return 0
    message = found[-1]
    rng = np.random.default_rng(message.can_id)
    payloads = [rng.bytes(message.length) for _ in range(15)]
    (table,) = decode(frames_of(message.can_id, payloads, message.extended), network).values()
    compared = 0
    for i, data in enumerate(payloads):
        ours = table.row(i, named=True)
        for name, theirs in frame.decode(data).items():
            signal = next((s for s in message.signals if s.name == name), None)
            if signal is None or (signal.is_float and signal.length == 16) or ours[name] is None:
                continue
            expected = float(theirs.phys_value)
            close = ours[name] == pytest.approx(
                expected, rel=1e-6 if signal.is_float else 1e-12, abs=1e-12, nan_ok=True
            )
            assert close, f"{file} {message.name}.{name} {data.hex()}: {ours[name]} is not {expected}"
            compared += 1
    return compared
