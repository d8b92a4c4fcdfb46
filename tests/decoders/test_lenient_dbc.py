"""A DBC file as it is: what is sound in a broken one is decoded, and message, line and reason of the rest are told."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cantools
import numpy as np
import pytest

from herdbook.decoders import Network, NetworkError
from tests.decoders.peers import differences

HEAD = 'VERSION ""\n\nNS_ :\n\tCM_\n\tVAL_\n\tBA_\n\nBS_:\n\nBU_: A B\n\n'
PACK = (
    'BO_ 256 Pack: 8 A\n SG_ Volt : 0|16@1+ (0.1,0) [0|6000] "V" B\n SG_ Amps : 16|16@1- (0.1,0) [0|0] "A" B\n'
    ' SG_ Mode : 32|4@1+ (1,0) [0|15] "" B\n\n'
)
HEAT = 'BO_ 257 Heat: 4 A\n SG_ T1 : 7|8@0+ (1,-40) [0|0] "degC" B\n SG_ T2 : 15|8@0+ (1,-40) [0|0] "degC" B\n\n'
TAIL = (
    'CM_ SG_ 256 Mode "what it\ndoes: 1; or 2";\nCM_ BO_ 257 "heat";\n'
    'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;\nBA_DEF_DEF_ "GenMsgCycleTime" 0;\nBA_ "GenMsgCycleTime" BO_ 257 500;\n'
    'VAL_ 256 Mode 0 "off" 1 "on" ;\n'
)
WHOLE = HEAD + PACK + HEAT + TAIL


def load(folder: Path, text: str, lenient: bool = True) -> Network:
    folder.mkdir(exist_ok=True)
    path = folder / "odd.dbc"
    path.write_text(text, "cp1252")
    return Network.load(path, lenient)


def cantools_message(text: str, name: str) -> Any:
    database: Any = cantools.database.load_string(text, "dbc")
    return database.get_message_by_name(name)


def names(network: Network) -> dict[str, list[str]]:
    return {m.name: [s.name for s in m.signals] for m in network.messages}


ALL = {"Pack": ["Volt", "Amps", "Mode"], "Heat": ["T1", "T2"]}
BROKEN = {
    "a signal whose bits cannot be read": (
        WHOLE.replace("Amps : 16|16@1-", "Amps : 16|x@1-"),
        {**ALL, "Pack": ["Volt", "Mode"]},
        "line 14: SG_ Amps : 16|x@1-",
    ),
    "a message without its length": (
        WHOLE.replace("BO_ 257 Heat: 4 A", "BO_ 257 Heat: A"),
        {"Pack": ALL["Pack"]},
        "line 17: BO_ 257 Heat: A: left out",
    ),
    "a value table of a signal that is not there": (
        WHOLE + 'VAL_ 256 Nobody 0 "x" ;\n',
        ALL,
        'line 28: VAL_ 256 Nobody 0 "x" ;: left out (unused VAL_ entries',
    ),
    "an attribute that is not defined": (WHOLE + 'BA_ "Colour" BO_ 256 3;\n', ALL, 'line 28: BA_ "Colour" BO_ 256 3;'),
    "a comment that is never closed": (
        WHOLE.replace('CM_ BO_ 257 "heat";', 'CM_ BO_ 257 "heat;'),
        ALL,
        'line 23: CM_ BO_ 257 "heat;: left out',
    ),
    "a quotation mark within a comment": (
        WHOLE.replace('CM_ BO_ 257 "heat";', 'CM_ BO_ 257 "the "heat"";'),
        ALL,
        "line 23: CM_ BO_ 257",
    ),
    "nonsense between two messages": (
        WHOLE.replace("BO_ 257 Heat", "SG_ Stray : nonsense\n\nBO_ 257 Heat"),
        ALL,
        "line 17: SG_ Stray : nonsense: left out",
    ),
    "a signal without receivers": (
        WHOLE.replace('[0|0] "A" B', '[0|0] "A"'),
        ALL,
        'line 14: SG_ Amps : 16|16@1- (0.1,0) [0|0] "A": read without what is wrong after its unit',
    ),
    "a signal without range": (WHOLE.replace("(0.1,0) [0|6000]", "(0.1,0)"), ALL, "line 13: SG_ Volt"),
    "a message whose keyword is spoilt": (
        WHOLE.replace("BO_ 257 Heat", "B_ 257 Heat"),
        {"Pack": ALL["Pack"]},
        "line 17: B_ 257 Heat: 4 A: left out",
    ),
    "a name with a hyphen": (
        WHOLE.replace("SG_ T2", "SG_ T-2"),
        {**ALL, "Heat": ["T1", "T_2"]},
        "line 19: SG_ T-2",
    ),
}


@pytest.mark.parametrize("case", BROKEN)
def test_what_is_sound_is_decoded_as_cantools_decodes_the_sound_file(tmp_path: Path, case: str) -> None:
    text, kept, said = BROKEN[case]
    with pytest.raises(NetworkError, match=r"lenient=True") as refused:
        load(tmp_path, text, lenient=False)
    assert refused.value.lenient_helps
    network = load(tmp_path, text)
    assert names(network) == kept
    assert [n for n in network.notes if said in n], network.notes
    assert all(n.startswith("odd.dbc, line ") for n in network.notes)
    whole: Any = cantools.database.load_string(WHOLE, "dbc")
    rng = np.random.default_rng(3)
    for message in whole.messages:
        if message.name in kept:
            wrong = differences(message, network, [rng.bytes(message.length) for _ in range(50)])
            assert not [w for w in wrong if not any(left in str(w) for left in ("Amps", "T2"))]
            assert network.by_name[message.name].cycle_ms == message.cycle_time
    if "value table" not in case and "Mode" in kept["Pack"]:
        assert network.by_name["Pack"].signal("Mode").states == {0: "off", 1: "on"}


def test_an_extended_identifier_without_its_flag(tmp_path: Path) -> None:
    right = WHOLE.replace("257", str(0x98FF0101))
    wrong = WHOLE.replace("257", str(0x18FF0101))
    with pytest.raises(NetworkError, match=r"more than 11 bits in message Heat.*lenient=True"):
        load(tmp_path, wrong, lenient=False)
    network = load(tmp_path, wrong)
    assert network.messages == load(tmp_path, right, lenient=False).messages  # with comment and cycle time
    assert len(network.notes) == 1
    assert "line 17: BO_ 419365121 Heat: 4 A: 29-bit identifier without its flag" in network.notes[0]


def test_a_factor_of_nought_is_refused_and_left_out_leniently(tmp_path: Path) -> None:
    text = WHOLE.replace("Amps : 16|16@1- (0.1,0)", "Amps : 16|16@1- (0,0)")
    with pytest.raises(NetworkError, match=r"line 14: message Pack, signal Amps: a factor of 0.*lenient=True"):
        load(tmp_path, text, lenient=False)
    network = load(tmp_path, text)
    assert names(network)["Pack"] == ["Volt", "Mode"]
    assert "line 14: message Pack, signal Amps" in network.notes[0]


def test_a_message_that_says_nought_bytes_is_as_long_as_its_signals(tmp_path: Path) -> None:
    text = WHOLE.replace("BO_ 256 Pack: 8 A", "BO_ 256 Pack: 0 A")
    with pytest.raises(NetworkError, match=r"Volt: needs 16 bits, but the message has 0 bytes"):
        load(tmp_path, text, lenient=False)
    network = load(tmp_path, text)
    assert names(network) == ALL
    assert network.by_name["Pack"].length == 5
    assert network.notes == ("odd.dbc: line 12: message Pack says 0 bytes but has signals, taken as 5 bytes",)
    right = cantools_message(WHOLE.replace("BO_ 256 Pack: 8 A", "BO_ 256 Pack: 5 A"), "Pack")
    assert differences(right, network, [np.random.default_rng(8).bytes(5) for _ in range(20)]) == []


@pytest.mark.parametrize("text", ["", "nothing of the kind", "BO_ nonsense\n", '{"a": 1}', "\0\0\0"])
def test_leniency_is_advised_only_where_it_works(tmp_path: Path, text: str) -> None:
    for lenient in (False, True):
        with pytest.raises(NetworkError, match=r"not a DBC file") as refused:
            load(tmp_path, text, lenient)
        assert "lenient" not in str(refused.value)
        assert not refused.value.lenient_helps


def test_a_large_file_with_one_bad_line_is_mended_quickly(tmp_path: Path) -> None:
    blocks = [PACK.replace("256 Pack", f"{n} Pack{n}") for n in range(400, 1000)]
    tails = [
        TAIL.split("BA_DEF_ ")[0].replace("256", str(n)).replace('CM_ BO_ 257 "heat";\n', "") for n in range(400, 1000)
    ]
    text = HEAD + "".join(blocks) + "".join(tails) + 'VAL_ 400 Nobody 0 "x" ;\n'
    network = load(tmp_path, text)
    assert len(network.messages) == 600
    assert len(network.notes) == 1


KCD = """<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0"><Document/>
<Node id="1" name="A"/><Bus name="Main" baudrate="250000"><Message id="0x123" name="Pack" length="8">
<Signal name="Volt" offset="0" length="16"><Value slope="0.1" unit="V"/></Signal>
<Signal name="Amps" offset="16" length="16"><Value type="signed" slope="0.1" unit="A"/></Signal>
</Message></Bus></NetworkDefinition>
"""
SYM = """FormatVersion=6.0 // Do not edit this line!
Title="made"

{SENDRECEIVE}

[Pack]
ID=123h
Len=8
Sig=Volt 0
Sig=Amps 16

{SIGNALS}
Sig=Volt unsigned 16 /u:V /f:0.1
Sig=Amps signed 16 /u:A /f:0.1
"""


@pytest.mark.parametrize(("name", "text"), [("made.kcd", KCD), ("made.sym", SYM)])
def test_other_descriptions_of_a_bus_are_accepted(tmp_path: Path, name: str, text: str) -> None:
    path = tmp_path / name
    path.write_text(text)
    network = Network.load([("can0", path)])
    database: Any = cantools.database.load_file(path)
    rng = np.random.default_rng(5)
    assert names(network) == {"Pack": ["Volt", "Amps"]}
    assert differences(database.messages[0], network, [rng.bytes(8) for _ in range(50)]) == []
    assert network.by_name["Pack"].signal("Amps").unit == "A"
    assert network.rates == (((250_000 if name.endswith("kcd") else None), None),)


def spoilt_line(text: str, rng: np.random.Generator) -> str:
    """One line of the text with a character changed, lost or added, cut in half, or with nonsense before it."""
    lines = text.split("\n")
    i = int(rng.integers(len(lines)))
    line = lines[i]
    at = int(rng.integers(len(line) + 1))
    nonsense = ["SG_ X", "BO_ 5 Y", "nonsense", 'CM_ "a', 'VAL_ 1 a 0 "b"']
    lines[i] = [
        line[:at] + str(rng.choice(list('"|@(;:x 9,'))) + line[at + 1 :],
        line[:at] + line[at + 1 :],
        line + str(rng.choice(['"', ' "', ";", "garbage"])),
        line[: len(line) // 2],
        f"{rng.choice(nonsense)}\n{line}",
    ][int(rng.integers(5))]
    return "\n".join(lines)


def test_one_spoilt_line_of_a_real_file_costs_one_message_at_most(tmp_path: Path) -> None:
    text = (Path(__file__).parents[2] / "dbc_demo" / "zirbel.dbc").read_text("utf-8")
    whole = {m.name: m.signals for m in load(tmp_path, text, lenient=False).messages}
    rng, refused, strict = np.random.default_rng(11), 0, 0
    for _ in range(40):
        spoilt = spoilt_line(text, rng)
        network = load(tmp_path, spoilt)
        kept = {m.name for m in network.messages if whole.get(m.name) == m.signals}
        assert len(set(whole) - kept) <= 1, (set(whole) - kept, network.notes)
        try:
            load(tmp_path, spoilt, lenient=False)
        except NetworkError as error:
            refused += error.lenient_helps and len(network.notes) > 0
        else:
            strict += 1
    assert refused > 10
    assert refused + strict == 40
