"""The only place where the dashboard opens the warehouse, to read and to write.

Everything that leaves here is what the person who looks may see (`pipelines.access.sight`), and every write asks
first whether they may (`dashboard.access`). Inside, the models work on all of it.

Whatever is read is kept by the warehouse's stamp, which changes with every transaction that lands: a page
can never show rows of one version beside figures of another. Frames are results of cached functions here
and never their arguments (a frame's hash sees only part of it). They are kept as they are rather than
copied for each reader, because polars frames and our results are not changed in place.
"""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import polars as pl
import streamlit as st

from dashboard import access, shops, sights
from dashboard.launch import WAREHOUSE_VARIABLE
from dashboard.sights import Result
from models.records.schemas import ELEMENTS, GROUPS
from models.records.shop import Shop
from models.records.shops import MARK, narrowed, shop_of
from pipelines.access.hiding import Hiding
from pipelines.access.roles import Viewer
from pipelines.access.sight import seen
from pipelines.fit.figures import PEOPLE_FRAMES, people_shop
from pipelines.intake.watch import status as watch_status
from pipelines.reports.report import last_day
from pipelines.warehouse import decisions
from pipelines.warehouse.database import DEFAULT_WAREHOUSE, Warehouse, places
from pipelines.warehouse.marks import Mark, marks_in
from pipelines.warehouse.shop import by_test, comparison_groups
from pipelines.warehouse.shop import shop_of as bundle_of
from pipelines.warehouse.waveforms import load
from pipelines.waveform import Waveform

KEPT = 128
LOG_ROWS = 10_000
NAMES = (
    "captures", "elements", "element_scores", "features", "checks", "scores", "outliers", "orders", "outcomes",
    "technicians", "drills", "coaching", "families", "comparison_groups", "logged_groups", "element_counts",
    "thresholds", "thresholds_in_force", "settings", "capture_troubles", "group_naming", "flagged_scores",
    "repeated_elements",
)  # fmt: skip
"""Frames without parameters; each is a named query of the warehouse."""
BY_CAPTURE = frozenset(
    {"captures", "elements", "element_scores", "features", "checks", "scores", "outliers", "capture_troubles"}
)
"""Those that are about captures."""
JOB_FRAMES = ("captures", "outcomes", "orders")


def path() -> Path:
    """Where the warehouse stands."""
    return Path(os.environ.get(WAREHOUSE_VARIABLE) or DEFAULT_WAREHOUSE)


def warehouse(*, create: bool = False) -> Warehouse:
    """The warehouse.

    Args:
        create: make one where there is none yet.

    Raises:
        WarehouseError: when there is none, or it is of a newer program, or in use for too long.
    """
    place = path()
    file = places(place)[0]
    if create and not file.exists():
        Warehouse(place, create=True)
    return _opened(str(place), file.stat().st_ino if file.exists() else 0)


@st.cache_resource(max_entries=4, show_spinner=False)
def _opened(place: str, inode: int) -> Warehouse:  # noqa: ARG001  (a replaced file is looked at anew)
    # It holds no connection, only paths; kept, because looking at the schema opens the file once more.
    return Warehouse(Path(place))


def exists() -> bool:
    """Whether there is a warehouse to read."""
    return places(path())[0].exists()


def is_demo() -> bool:
    """Whether this is the invented demo shop: its builder leaves a marker in the warehouse folder."""
    return (places(path())[0].parent / "demo.json").exists()


def watching() -> str | None:
    """What the watcher of this warehouse does, as a sentence; None where none works."""
    return watch_status(places(path())[0])


def stamp() -> str:
    """Changes whenever a transaction has landed or the file was replaced; empty without a warehouse.

    Where several shops share the warehouse it names the one that is shown, and whatever is read under it is that
    shop's alone: of the shops in the person's sight the one chosen, else the first.
    """
    found, sight = _in_sight()
    if sight is None:
        return found
    chosen = st.session_state.get(access.SHOP)
    return shops.named(found, (chosen,) if chosen in sight else sight[:1])


def group_stamp() -> str:
    """The same for every shop in the person's sight together."""
    found, sight = _in_sight()
    return found if sight is None else shops.named(found, sight)


def shops_to_choose() -> tuple[str, ...]:
    """The shops one may be shown at a time; empty where there is no choice."""
    sight = _in_sight()[1] or ()
    return sight if len(sight) > 1 else ()


def _in_sight() -> tuple[str, tuple[str, ...] | None]:
    """The stamp of everything, and the shops in the person's sight; None where that is no question."""
    found = whole_stamp()
    if not found:
        return found, None
    try:
        return found, access.shops_of(known_shops(found))
    except Moved:  # something landed between the two looks
        return _in_sight()


def whole_stamp() -> str:
    """The stamp under which every row is read, whoever looks: for what is the same for everybody."""
    if not exists():
        return ""
    house = warehouse()
    found = f"{house.path.resolve()}|{house.database.stat().st_ino}|{house.version(wait=False)}"
    if _newest.get("stamp") != found:
        _newest["stamp"] = found
        # Rows of an earlier version are shown to nobody any more; in a large shop they are most of the memory.
        for kept in (_frame, _seen_by, _shop, _shop_of_test, *sights.KEEPS, *KEEPS):
            kept.clear()
    return found


def shop_shown(stamp: str) -> str | None:
    """The one shop of several a stamp, or a work stamp, is of; None where there is but one."""
    sight = shops.shown(stamp)
    if sight is None or len(known_shops(whole_stamp())) < 2:
        return None
    return sight[0] if sight else MARK  # nobody's: no shop is called so


def known_shops(stamp: str) -> tuple[str, ...]:
    """Every shop something is on record of."""
    return tuple(_frame(shops.everything(stamp), "shops", ())["shop"])


_newest: dict[str, str] = {}
KEEPS: list[Any] = []
"""What else is kept of a version of the warehouse (`dashboard.fits`)."""


def sight() -> str:
    """The same for two people who are shown the same: whatever a page keeps of rows is kept under it too."""
    return access.present().sight


class Moved(Exception):
    """The warehouse has moved on while a page was being drawn; the page is drawn again from the start."""


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _frame(
    stamp: str, name: str, parameters: tuple[tuple[str, Any], ...], captures: tuple[str, ...] | None = None
) -> pl.DataFrame:
    # Read with its version over one connection, so that rows of two versions never stand on one page.
    found = warehouse().frames([name, "version"], dict(parameters), captures=captures)
    if str(found["version"]["version"][0]) != stamp.rpartition("|")[2]:
        raise Moved
    sight = shops.shown(stamp)
    return found[name] if sight is None else narrowed(found[name], sight)


def work_stamp(stamp: str) -> str:
    """Changes when captures, orders, outcomes, coaching or settings do, and not when a threshold is set.

    The figures about people take seconds; a decision on a threshold must not make anybody wait for them.
    """
    return f"{stamp.rpartition('|')[0]}|log {_frame(stamp, 'last_log', ())['log_id'][0]}"


class Frames(Mapping[str, pl.DataFrame]):
    """The named queries without parameters, all of one warehouse version; each is read when it is first asked for.

    Args:
        viewer: who they are for; None for all there is.
        captures: of the frames about captures only the rows of these.
    """

    def __init__(
        self, stamp: str, viewer: Viewer | None = None, captures: Iterable[str] | None = None
    ) -> None:
        self.stamp, self.viewer = stamp, viewer
        self._captures = None if captures is None else tuple(captures)

    def __getitem__(self, name: str) -> pl.DataFrame:
        captures = self._captures if name in BY_CAPTURE else None
        if self.viewer is None:
            return _frame(self.stamp, name, (), captures)
        return _seen(self.stamp, name, (), self.viewer, captures)

    def __iter__(self) -> Iterator[str]:
        return iter(NAMES)

    def __len__(self) -> int:
        return len(NAMES)


def frames(stamp: str) -> Frames:
    """Every frame by name, of the warehouse version the stamp stands for; what a page does not show is not read."""
    return Frames(stamp, access.present())


def only(held: Mapping[str, pl.DataFrame], rows: pl.DataFrame) -> Mapping[str, pl.DataFrame]:
    """The frames, of those about captures only the rows of the captures in `rows`, read for them alone."""
    if not isinstance(held, Frames):
        return held
    named = rows["capture_file"].unique().sort()
    if held.viewer is not None and (hides := hiding(held.stamp, held.viewer)).active:
        named = pl.Series(sorted(map(hides.real, named.drop_nulls())), dtype=pl.String)
    return Frames(held.stamp, held.viewer, named)


def frames_of(stamp: str, capture_file: str) -> Frames:
    """Every frame by name, of those about captures only the rows of one."""
    return Frames(stamp, access.present(), [hiding(stamp).real(capture_file)])


def frame(stamp: str, name: str, **parameters: Any) -> pl.DataFrame:
    """One frame that depends on parameters, such as the drawing of one capture."""
    if "capture_file" in parameters:
        parameters["capture_file"] = hiding(stamp).real(parameters["capture_file"])
    return _seen(stamp, name, tuple(sorted(parameters.items())), access.present())


def rows(stamp: str, name: str, **parameters: Any) -> pl.DataFrame:
    """A frame of the shops a stamp is of, for the models alone: nobody is shown its rows."""
    return _frame(stamp, name, tuple(sorted(parameters.items())))


def records_of_test(stamp: str, test: str, measure: str | None) -> Shop:
    """The records of one test, of every shop. For the models alone, too."""
    return _shop_of_test(shops.everything(stamp), test, measure, "", None)


def _seen(
    stamp: str,
    name: str,
    parameters: tuple[tuple[str, Any], ...],
    viewer: Viewer,
    captures: tuple[str, ...] | None = None,
) -> pl.DataFrame:
    if viewer.all_rights:
        return _frame(stamp, name, parameters, captures)
    return _seen_by(stamp, name, parameters, captures, viewer.sight, viewer)


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _seen_by(
    stamp: str,
    name: str,
    parameters: tuple[tuple[str, Any], ...],
    captures: tuple[str, ...] | None,
    sight: str,  # noqa: ARG001  (the key for the viewer, who is not hashed)
    _viewer: Viewer,
) -> pl.DataFrame:
    return seen(_viewer, name, _frame(stamp, name, parameters, captures), hiding(stamp, _viewer))


def hiding(stamp: str, viewer: Viewer | None = None) -> Hiding:
    """What stands in the place of names for whoever looks: in the names of files, in columns, in texts."""
    return sights.hiding(stamp, viewer or access.present(), lambda name: _frame(stamp, name, ()), path())


def as_seen(stamp: str, what: tuple[Any, ...], found: Callable[[], Result]) -> Result:
    """A result of all records as the person who looks may see it; `what` names it, `found` gives it."""
    return sights.result(stamp, what, access.present(), hiding(stamp), found)


def anything(stamp: str) -> bool:
    """Whether a capture or an order is on record."""
    return bool(Frames(stamp)["captures"].height or Frames(stamp)["orders"].height)


@st.cache_resource(max_entries=4, show_spinner=False)
def _shop(stamp: str, sight: str, _viewer: Viewer | None, names: tuple[str, ...]) -> Shop:  # noqa: ARG001
    held = Frames(stamp, _viewer)
    found = {name: held[name] for name in names}
    return people_shop(found) if names == PEOPLE_FRAMES else bundle_of(found)


@st.cache_resource(max_entries=8, show_spinner=False)
def _shop_of_test(stamp: str, test: str, measure: str | None, sight: str, _viewer: Viewer | None) -> Shop:
    if measure is None:
        return _shop(stamp, sight, _viewer, JOB_FRAMES).with_frames(groups=groups(stamp)).of_test(test)
    # Of elements only those of this measure are read: all of a large shop's take seconds and gigabytes.
    of = (("measure", measure), ("test", test))
    rows = _seen(stamp, "fit_elements", of, _viewer) if _viewer else _frame(stamp, "fit_elements", of)
    elements = rows.sort("capture_file", "position").with_columns(measure=pl.lit(measure))
    own = _shop(stamp, sight, _viewer, PEOPLE_FRAMES).with_frames(groups=groups(stamp)).of_test(test)
    return own.with_frames(elements=ELEMENTS.of(elements))


def whole_shop(stamp: str) -> Shop:
    """All records as the models about people and jobs take them (see `pipelines.fit.figures.people_shop`).

    For the models alone: nobody is shown its rows.
    """
    return _shop(stamp, "", None, PEOPLE_FRAMES)


def jobs_shop(stamp: str) -> Shop:
    """Captures, outcomes and orders alone, as the models about jobs take them. For the models alone, too."""
    return _shop(stamp, "", None, JOB_FRAMES)


@st.cache_resource(max_entries=4, show_spinner=False)
def groups(stamp: str) -> pl.DataFrame:
    """Every comparison group of every test, as `Shop` holds them; nobody stands in them."""
    held = Frames(stamp)
    found = comparison_groups(held["families"], held["logged_groups"], held["element_counts"])
    return found.select(list(GROUPS.types))


@st.cache_resource(max_entries=4, show_spinner=False)
def _outcomes(stamp: str, sight: str, _viewer: Viewer) -> pl.DataFrame:  # noqa: ARG001
    return by_test(Frames(stamp, _viewer)["outcomes"])


def outcomes(stamp: str) -> pl.DataFrame:
    """What was confirmed, one row an order and test it speaks of, as the person who looks may see it."""
    looks = access.present()
    return _outcomes(stamp, looks.sight, looks)


def shop_of_test(stamp: str, test: str, measure: str | None) -> Shop:
    """The records of one test, its elements by one measure or none of them, as the person who looks may see them."""
    looks = access.present()
    sight, viewer = ("", None) if looks.all_rights else (looks.sight, looks)
    return _shop_of_test(stamp, test, measure, sight, viewer)


def waveform(stamp: str, capture_file: str) -> Waveform | None:
    """The kept copy of a capture's waveform, or None where no file was ever read.

    Raises:
        UnreadableFile: when the copy is missing or damaged.
    """
    real, sight = hiding(stamp).real(capture_file), shops.shown(stamp)
    return _waveform(stamp, real) if sight is None or shop_of(real) in sight else None


@st.cache_resource(max_entries=8, show_spinner=False)
def _waveform(stamp: str, capture_file: str) -> Waveform | None:
    found = _frame(stamp, "waveform_of", (("capture_file", capture_file),))
    if found.is_empty() or found["waveform_sha256"][0] is None:
        return None
    return load(warehouse().waveforms, found["waveform_sha256"][0])


@st.cache_resource(max_entries=4, show_spinner=False)
def settings(stamp: str) -> dict[str, Any]:  # noqa: ARG001
    """The shop's settings by name, with the default where nothing was decided."""
    return decisions.read_settings(warehouse())


def newest_day(stamp: str) -> dt.date:
    """The newest day on record: nothing is known of the shop after it. Today in an empty warehouse."""
    return last_day(_frame(stamp, "last_day", ()))


def decided(stamp: str) -> dict[str, Mark]:
    """What people have decided about the things that wait, by key."""
    return marks_in(frame(stamp, "waiting_marks").to_dicts())
