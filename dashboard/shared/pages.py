"""The dashboard's pages: one row a page. A page stands in `dashboard/views/NAME/NAME.py`."""

from __future__ import annotations

from dataclasses import dataclass

from pipelines.access.roles import Right, Viewer

PEOPLE_PARTS = ("Who may need a hand", "Everybody beside chance", "One technician", "Coaching sessions")
"""The parts of the page about people."""
ADD_SECTIONS = (
    "Captures",
    "Engine family",
    "Job",
    "Technician",
    "Drill",
    "Coaching session",
    "Entered so far",
)
"""The forms of the page to add things."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One page.

    Attributes:
        name: the folder, the file and the path in the address. title, section, icon: in the list of pages.
        address: what of its state stands in its address, by the names of `dashboard.shared.address`.
        needs: what somebody must be allowed to open it. own: whether somebody who has figures of their own may too.
        several: whether it stands only where more than one shop is in sight.
    """

    name: str
    title: str
    section: str
    icon: str
    address: tuple[str, ...] = ()
    needs: Right = Right.SEE_ENGINES
    own: bool = False
    several: bool = False

    def open_to(self, viewer: Viewer) -> bool:
        """Whether this person may open it."""
        return viewer.may(self.needs) or (self.own and bool(viewer.technician))

    @property
    def script(self) -> str:
        """The page's file, below `dashboard/`."""
        return script(self.name)


PAGES: tuple[Entry, ...] = (
    Entry("shop", "Scope use and comebacks", "The shop", ":material/storefront:", ("day",), Right.SEE_JOBS),
    Entry(
        "jobs",
        "Jobs and vehicles",
        "The shop",
        ":material/directions_car:",
        ("day", "technician", "jobs", "week", "order", "vehicle"),
    ),
    Entry(
        "digest", "The week's digest", "The shop", ":material/newspaper:", ("digest_week",), Right.SEE_JOBS
    ),
    Entry(
        "todo",
        "What waits for somebody",
        "The shop",
        ":material/checklist:",
        ("day", "show", "for", "first", "closed"),
    ),
    Entry("group", "Shops beside each other", "The shop", ":material/hub:", several=True),
    Entry(
        "week",
        "The week's odd ones",
        "Tests",
        ":material/event:",
        ("day", "test", "measure", "week", "of_group", "technician"),
    ),
    Entry(
        "spread",
        "Normal spread",
        "Tests",
        ":material/straighten:",
        ("day", "test", "measure", "of_group", "one_group"),
    ),
    Entry(
        "thresholds",
        "Thresholds",
        "Tests",
        ":material/tune:",
        ("test", "measure", "group", "x", "miss", "false_alarm"),
    ),
    Entry(
        "known_good",
        "Known-good captures",
        "Tests",
        ":material/verified:",
        ("test", "measure", "group", "over"),
    ),
    Entry(
        "capture",
        "One capture",
        "Tests",
        ":material/show_chart:",
        ("day", "of_group", "of_test", "technician", "capture"),
    ),
    Entry(
        "technicians",
        "Technicians and coaching",
        "People",
        ":material/groups:",
        ("day", "technician", "part", "figure"),
        needs=Right.SEE_PEOPLE,
        own=True,
    ),
    Entry(
        "add", "Add captures and records", "Records", ":material/add_circle:", ("section",), needs=Right.ENTER
    ),
    Entry("intake", "Intake and settings", "Records", ":material/inbox:", needs=Right.SEE_LOG),
)


def entry(name: str) -> Entry:
    """The page of that name.

    Raises:
        KeyError: when there is none.
    """
    return {one.name: one for one in PAGES}[name]


def script(name: str) -> str:
    """The file of a page, below `dashboard/`."""
    return f"views/{name}/{name}.py"
