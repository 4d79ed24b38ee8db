"""The dashboard's pages: one row a page. A page stands in `dashboard/views/NAME/NAME.py`."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Entry:
    """One page: its name (the folder, the file and the path in the address), its title, its section, its sign."""

    name: str
    title: str
    section: str
    icon: str

    @property
    def script(self) -> str:
        """The page's file, below `dashboard/`."""
        return script(self.name)


PAGES: tuple[Entry, ...] = (
    Entry("shop", "Scope use and comebacks", "The shop", ":material/storefront:"),
    Entry("spread", "Normal spread", "Tests", ":material/straighten:"),
    Entry("thresholds", "Thresholds", "Tests", ":material/tune:"),
    Entry("known_good", "Known-good captures", "Tests", ":material/verified:"),
    Entry("capture", "One capture", "Tests", ":material/show_chart:"),
    Entry("technicians", "Technicians and coaching", "People", ":material/groups:"),
    Entry("intake", "Intake and settings", "Records", ":material/inbox:"),
)
FIRST = PAGES[0].name


def script(name: str) -> str:
    """The file of a page, below `dashboard/`."""
    return f"views/{name}/{name}.py"
