"""What stands in the place of names, in names of files, columns and texts; and that nothing else changes."""

from __future__ import annotations

import ast
import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.access.hiding import OTHERS, OTHERS_FILE, Hiding, OnRecord
from pipelines.access.roles import Right, Role, viewer_of
from pipelines.access.sight import seen

ROOT = Path(__file__).parents[1]
DAY = dt.datetime(2026, 3, 2, 9, 30)
ANN = viewer_of("Ann", [Role.TECHNICIAN], "ann")
FILES = pl.DataFrame(
    [
        ("week1/ann_1.csv", "ann", DAY, None),
        ("week1/Bo Berg.csv", "Bo Berg", DAY, None),
        ("week2/b.b.wav", "Bo Berg", None, None),
        ("uploads/scope-3.csv", None, None, None),
        ("uploads/bo_berg-4.csv", None, None, None),
        ("uploads/mine, of bo berg.csv", None, None, "Ann"),
        ("a/same.csv", "Bo Berg", DAY, None),
        ("b/same.csv", "cy", DAY, None),
    ],
    schema={"capture_file": pl.String, "technician": pl.String, "captured_at": pl.Datetime, "uploaded_by": pl.String},
    orient="row",
)  # fmt: skip
KNOWN = OnRecord(
    FILES, frozenset({"ann", "Bo Berg", "cy", "12"}), frozenset({"Mira Lund", "The owner"}), b"k" * 32
)


@pytest.fixture(scope="module")
def hides() -> Hiding:
    return Hiding.of(ANN, KNOWN)


def test_a_file_is_called_by_its_name_only_to_whom_it_belongs(hides: Hiding) -> None:
    shown = {file: hides.file(file) for file in FILES["capture_file"]}
    # Their own, what they uploaded, and what nobody could label without its name.
    for file in ("week1/ann_1.csv", "uploads/mine, of bo berg.csv", "uploads/scope-3.csv"):
        assert shown.pop(file) == file
    assert len(set(shown.values())) == len(shown)
    for file, name in shown.items():
        assert name.startswith("capture ")
        assert hides.real(name) == file
    assert shown["week1/Bo Berg.csv"].endswith(" of 2026-03-02")
    # The log is put right, the day changes: a link sent before still leads there.
    assert hides.real(shown["week1/Bo Berg.csv"].replace("03-02", "03-09")) == "week1/Bo Berg.csv"


def test_a_name_of_a_named_shop_is_found_as_its_shop_calls_them() -> None:
    known = OnRecord(FILES.clear(), frozenset({"North▸Bo Berg", "South▸ann"}), frozenset(), b"k" * 32)
    hides = Hiding.of(viewer_of("Ann", [Role.TECHNICIAN], "North▸ann"), known)
    assert hides.text("Bo Berg and North▸Bo Berg, ann") == f"{OTHERS} and North▸{OTHERS}, ann"


def test_a_guessed_file_name_is_not_proven_by_its_hash() -> None:
    other = OnRecord(FILES, KNOWN.technicians, KNOWN.people, b"l" * 32)
    assert KNOWN.alias("week1/Bo Berg.csv", DAY) != other.alias("week1/Bo Berg.csv", DAY)


@pytest.mark.parametrize(
    ("written", "shown"),
    [
        ("Bo Berg held the probe", f"{OTHERS} held the probe"),
        ("ask BO_BERG, bo.berg and Berg", f"ask {OTHERS}, {OTHERS} and {OTHERS}"),
        ("with Bo Berg; cy too", f"with {OTHERS}; {OTHERS} too"),
        ("set by mira  lund", f"set by {OTHERS}"),
        ("Berg's leads", f"{OTHERS}'s leads"),
        ("ann did it; the icy bergs of Bobergen", "ann did it; the icy bergs of Bobergen"),
        ("The owner of a van", f"{OTHERS} of a van"),
        ("The supply is low", "The supply is low"),
        ("the same bytes as a/same.csv, same.csv", f"the same bytes as {{a}}, {OTHERS_FILE}"),
        ("12 % off, as 12 said", "12 % off, as 12 said"),
        ("like week1/ann_1.csv", "like week1/ann_1.csv"),
        ("", ""),
    ],
)
def test_what_somebody_wrote_names_nobody_else(hides: Hiding, written: str, shown: str) -> None:
    assert hides.text(written) == shown.replace("{a}", hides.file("a/same.csv"))


@given(
    before=st.text(alphabet=" .,;:()-_/", max_size=3),
    name=st.sampled_from(["Bo Berg", "bo berg", "BO_BERG", "Bo-Berg", "Bo, Berg", "cy", "CY", "Mira Lund", "Berg"]),
    after=st.text(alphabet=" .,;:()-_/", max_size=3),
    around=st.sampled_from(["", "seen", "3"]),
)  # fmt: skip
def test_a_name_between_any_marks_is_found(before: str, name: str, after: str, around: str) -> None:
    hides = Hiding.of(ANN, KNOWN)
    text = f"{around} {before}{name}{after} {around}"
    assert not any(word in hides.text(text).casefold() for word in ("berg", "cy", "lund"))


def test_a_frame_keeps_its_columns_types_and_other_cells(hides: Hiding) -> None:
    frame = pl.DataFrame(
        {
            "capture_file": ["week1/Bo Berg.csv", "week1/ann_1.csv", None],
            "set_by": ["Mira Lund", "Ann", None],
            "reason": ["Bo said so", "even", None],
            "notes": [["cy", "fine"], [], None],
            "group": ["Bo Berg", "cy", None],
            "odd_pct": [1.0, None, 3.0],
        }
    )
    shown = hides.frame(frame)
    assert shown.schema == frame.schema
    assert shown["capture_file"].to_list() == [hides.file("week1/Bo Berg.csv"), "week1/ann_1.csv", None]
    assert shown["set_by"].to_list() == [OTHERS, "Ann", None]
    assert shown["reason"].to_list() == [
        "Bo said so",
        "even",
        None,
    ]  # parts of a name shorter than three letters stay
    assert shown["notes"].to_list() == [[OTHERS, "fine"], [], None]
    # A key by which rows are found again stays.
    assert shown["group"].equals(frame["group"])
    assert shown["odd_pct"].equals(frame["odd_pct"])


@pytest.mark.parametrize("role", Role)
def test_who_may_see_names_is_shown_everything_as_it_is(role: Role) -> None:
    viewer = viewer_of("Ann", [role], "ann")
    shown = Hiding.of(viewer, KNOWN).frame(FILES)
    assert shown.equals(FILES) == viewer.may(Right.SEE_NAMES)


@dataclass(frozen=True)
class _Worked:
    rows: pl.DataFrame
    count: int


def test_results_of_all_records_call_files_the_same(hides: Hiding) -> None:
    worked = _Worked(FILES.select("capture_file"), 8)
    assert hides.result(worked).rows["capture_file"].to_list() == [
        hides.file(f) for f in FILES["capture_file"]
    ]
    assert hides.result(worked).count == 8
    assert Hiding().result(worked) is worked


def test_rows_about_people_are_found_by_the_names_of_their_tables() -> None:
    log = pl.DataFrame(
        {
            "subject": ["coaching.csv", "technicians.xlsx", "captures.csv"],
            "key": ["2026-03-02", "Bo Berg", "week1/Bo Berg.csv"],
            "before": ["Bo", None, None], "after": [None, "Bo", "Bo"], "entered_by": ["Mira Lund", None, "Ann"],
        }
    )  # fmt: skip
    hides = Hiding.of(viewer_of("Max", [Role.MANAGER]), KNOWN)
    shown = seen(viewer_of("Max", [Role.MANAGER]), "intake_log", log, hides)
    assert shown["subject"].to_list() == ["captures.csv"]
    assert "Berg" not in str(shown.rows())
    entered = log.with_columns(undone=pl.lit(False))
    own = seen(ANN, "entered", entered, Hiding.of(ANN, KNOWN))
    assert own["entered_by"].to_list() == ["Ann"]
    lead = viewer_of("Lea", [Role.LEAD])
    assert seen(lead, "entered", entered, Hiding.of(lead, KNOWN))["subject"].to_list() == ["captures.csv"]


def test_what_a_page_keeps_of_one_person_is_never_shown_to_another() -> None:
    """A cached answer of a page has the sight of whoever it was worked out for among its keys."""
    looked_at, missing = 0, []
    for path in sorted((ROOT / "dashboard" / "views").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef) and any(
                "cache" in ast.unparse(one) for one in node.decorator_list
            ):
                looked_at += 1
                if "sight" not in [argument.arg for argument in node.args.args]:
                    missing.append(f"{path.name}: {node.name}")
    assert looked_at >= 6
    assert missing == []
