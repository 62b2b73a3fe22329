"""The due list of a large service: 5,000 open orders with two years of history, and what one next dose costs.

    python benchmarks/due.py                   with 5,000 orders and some 600,000 doses (takes minutes, and a gigabyte)
    python benchmarks/due.py --orders 500      with a smaller service

Of ten orders six are depots every 4 weeks (26 doses in two years), three are weekly (104), one is for 08:00 each day
(730). One in fifty was last given late enough to be late now.

a. The first list, worked out from nothing, beside the plans alone that it costs.
b. The same list read from the file beside the record. Aimed at: 200 ms at most.
c. The list again, nothing changed. Aimed at: 20 ms at most.
d. The list after one dose was given. On the next day, at 08:00 and at midnight: what the clock alone costs.
e. One next dose, by the kind of schedule and the doses given so far. Aimed at: 100 microseconds at most each.

People, medicines and codes are invented. The figures depend on the machine; nothing here passes or fails.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
import timeit
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import drawup.service.due as due_module
from drawup.evidence.policies import load_policy
from drawup.exchange.order_entry import read_order
from drawup.exchange.reader import Fields
from drawup.injection.history import PastDose
from drawup.injection.order import Order
from drawup.injection.plan import plan_injection
from drawup.injection.schedule import NO_TIMING, calendar_of
from drawup.injection.timing import next_due, of_medicine
from drawup.record.beside import beside
from drawup.record.store import Store, Writer
from drawup.service.due import DueBook, due_list
from drawup.service.registering import add_to_formulary, use_policy
from drawup.service.state import alike_key, medicine_of

LONDON = ZoneInfo("Europe/London")
NOW = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
YEARS_AGO = 730
PER_BLOCK = 20_000
PLACES = ("Kelp Ward", "Dune House", "Northshore Round", "Lantern Clinic", "Quay Practice")
SIDES = ("left", "right")


def medicine(name: str, gtin: str, route: str, site: str) -> dict[str, Any]:
    pack = {"strength": "50 mg/mL", "volume": "1 mL", "container": "ampoule", "gtin": gtin}
    return {"name": name, "routes": [route], "sites": [site], "presentations": [pack]}


KINDS: tuple[tuple[str, dict[str, Any], dict[str, Any], int], ...] = (
    (
        "every 4 weeks",
        medicine("sernovalate", "09501101530089", "intramuscular", "ventrogluteal"),
        {"every": "4 weeks", "late": "3 days"},
        28,
    ),
    (
        "every week",
        medicine("norvatide", "09501101530034", "subcutaneous", "abdominal fat"),
        {"every": "1 week", "late": "1 day"},
        7,
    ),
    (
        "08:00 each day",
        medicine("dorsulin", "09501101530010", "subcutaneous", "abdominal fat"),
        {"at": ["08:00"]},
        1,
    ),
)


def kind_of(number: int) -> int:
    """Six depots, three weekly ones and one daily one of ten."""
    return (0, 0, 1, 0, 1, 0, 2, 0, 1, 0)[number % 10]


def first_day(number: int) -> datetime:
    """Two years ago, so that the next doses of all orders are spread over an interval."""
    days = KINDS[kind_of(number)][3]
    return NOW.replace(hour=8, minute=0) - timedelta(days=YEARS_AGO - YEARS_AGO % days + number % days)


def order_body(number: int) -> dict[str, Any]:
    _, entry, schedule, _ = KINDS[kind_of(number)]
    return {
        "medicine": entry["name"],
        "route": entry["routes"][0],
        "dose": {"amount": "50 mg"},
        "start": first_day(number).date().isoformat(),
        "schedule": schedule,
    }


def doses(number: int) -> Iterator[dict[str, Any]]:
    """The entries of one order, with what an entry of the program says."""
    patient, (_, entry, _, days) = f"{number + 1:04d}", KINDS[kind_of(number)]
    site = entry["sites"][0]
    at, count = first_day(number), 0
    # What comes next is spread over an interval; one in fifty lacks the last dose before that, and is late.
    last = NOW - timedelta(days=days + 5 if number % 50 == 0 else 0)
    while at.date() < last.date():
        count += 1
        there = at.astimezone(LONDON).replace(hour=8)
        planned = there.isoformat()
        yield {
            "order": f"{patient}.1",
            "dose_number": count,
            "medicine": entry["name"],
            "route": entry["routes"][0],
            "ordered": "50 mg",
            "amount": "50 mg",
            "volume_ml": "1",
            "injections": [
                {
                    "site": site,
                    "side": SIDES[count % 2],
                    "point": f"{'DEFG'[count % 4]}{count % 5 + 2}",
                    "volume_ml": "1",
                }
            ],
            "containers": [{"gtin": entry["presentations"][0]["gtin"], "batch": f"B{count % 97}", "count": 1}],
            "waste_ml": "0",
            "waste": "0 mg",
            "at": planned,
            "zone": "Europe/London",
            "plan": "0" * 64,
            "given_by": "A. Nurse (invented)",
            "prepared_by": "A. Nurse (invented)",
            "identified": "stated",
            "planned": {"planned": planned, "opens": planned, "closes": planned, "state": "due", "because": ""},
            "findings": [],
            "review": [],
        }
        at += timedelta(days=days)


def facts(orders: int) -> Iterator[tuple[str, str, dict[str, Any], datetime, list[str]]]:
    """Every fact of the patients: stream, kind, body, time, keys."""
    for number in range(orders):
        patient, begin = f"{number + 1:04d}", first_day(number)
        stream, family = f"patient/{patient}", f"Invented{number % 4_000}"
        person = {
            "family": family,
            "given": "Ada",
            "born": f"19{number % 60 + 30}-0{number % 9 + 1}-15",
            "sex": "female",
            "place": PLACES[number % 5],
            "identifiers": [{"kind": "number", "value": f"{number:07d}"}],
            "by": "",
        }
        yield stream, "registered", person, begin, ["patients", alike_key(family)]
        yield stream, "allergies", {"allergies": "none known", "by": ""}, begin, []
        weight = {"what": "weight", "value": "71 kg", "on": "2026-02-20", "how": "measured", "by": ""}
        yield stream, "measured", weight, begin, []
        body = {"id": f"{patient}.1", "order": order_body(number), "by": ""}
        yield stream, "order", body, begin, [f"order:{patient}.1"]
        for dose in doses(number):
            yield stream, "given", dose, datetime.fromisoformat(dose["at"]), []


def build(store: Store, orders: int) -> int:
    """A service of so many orders; how many facts it took."""
    use_policy(store, "uk", zone="Europe/London", now=NOW - timedelta(days=800))
    for _, entry, _, _ in KINDS:
        add_to_formulary(store, entry, now=NOW - timedelta(days=800))
    count, rest = 0, facts(orders)
    begin = time.perf_counter()
    while True:
        with store.writing() as writer:
            written = write_block(writer, rest)
        count += written
        print(f"\r{count:,} facts, {count / (time.perf_counter() - begin):,.0f} a second", end="", file=sys.stderr)
        if written < PER_BLOCK:
            print(file=sys.stderr)
            return count


def write_block(writer: Writer, rest: Iterable[tuple[str, str, dict[str, Any], datetime, list[str]]]) -> int:
    written = 0
    for stream, kind, body, at, keys in islice(rest, PER_BLOCK):
        writer.append(stream, kind, body, recorded_at=at, keys=keys)
        written += 1
    return written


def seconds(call: Callable[[], object]) -> float:
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


class Plans:
    """Counts the plans that a list costs, and the time that they alone take."""

    def __init__(self) -> None:
        self.count, self.seconds = 0, 0.0

    def __call__(self, *arguments: Any, **named: Any) -> Any:
        start = time.perf_counter()
        try:
            return plan_injection(*arguments, **named)
        finally:
            self.count += 1
            self.seconds += time.perf_counter() - start

    def since(self, before: tuple[int, float]) -> tuple[int, float]:
        return self.count - before[0], self.seconds - before[1]


def measure_list(path: Path, orders: int) -> None:
    plans = Plans()
    setattr(due_module, "plan_injection", plans)  # noqa: B010  counted where the list calls it
    with Store.open(path) as store:

        def cost(name: str, book: DueBook, now: datetime, target: str = "") -> float:
            before = plans.count, plans.seconds
            took = seconds(lambda: due_list(book, store, now=now))
            count, planning = plans.since(before)
            words = f", {count:,} plans: {planning:.2f} s" if count else ", no plan"
            shown = f"{took:8.2f} s " if took >= 1 else f"{took * 1e3:8.1f} ms"
            print(f"{name:52} {shown}{words}{target and f'   (target {target})'}")
            return took

        book = DueBook(store)
        whole = cost(f"a. first list of {orders:,} orders", book, NOW)
        print(f"{'   an order':52} {whole / orders * 1e3:8.2f} ms   list / plans alone {whole / plans.seconds:.2f}")
        book.close()
        cold = min(cost("b. read from the file beside", DueBook(store), NOW, "200 ms") for _ in range(3))
        book = DueBook(store)
        due_list(book, store, now=NOW)
        warm = min(cost("c. again, nothing changed", book, NOW, "20 ms") for _ in range(3))
        print(f"{'   first / from the file / nothing changed':52} {whole / cold:8,.0f} / {cold / warm:.0f} / 1")
        for number in (0, 6):
            dose = {**next(doses(number)), "at": NOW.isoformat(), "dose_number": 9_999}
            dose.pop("planned")
            with store.writing() as writer:
                writer.append(f"patient/{number + 1:04d}", "given", dose, recorded_at=NOW)
            cost(f"d. after one dose given, {KINDS[kind_of(number)][0]}", book, NOW)
        cost("   half an hour later", book, NOW + timedelta(minutes=30))
        cost(
            "   at midnight: nobody gave any, all open ones again",
            book,
            NOW.replace(hour=0, minute=0) + timedelta(days=1),
        )
        cost("   at 08:00: the next place of the daily ones", book, NOW.replace(hour=8, minute=0) + timedelta(days=1))
        add_to_formulary(store, {"name": "terenvax", "presentations": [{"strength": "5 mg/mL"}]}, now=NOW)
        cost("   a medicine that nobody has", book, NOW.replace(hour=8, minute=0) + timedelta(days=1))
        book.close()
    size = beside(path).stat().st_size
    print(f"{'   the file beside':52} {size / 1e6:8.1f} MB, {size / orders:,.0f} bytes an order")


# Each kind with the hours between its doses.
SCHEDULES: dict[str, tuple[dict[str, Any], int]] = {
    "once": ({"once": True}, 24),
    "every 4 weeks from given": ({"every": "4 weeks"}, 672),
    "every 2 months from given": ({"every": "2 months"}, 1460),
    "every 12 hours from given": ({"every": "12 hours"}, 12),
    "every 4 weeks planned": ({"every": "4 weeks", "counts_from": "planned"}, 672),
    "every month planned": ({"every": "1 month", "counts_from": "planned"}, 730),
    "every 8 hours planned": ({"every": "8 hours", "counts_from": "planned", "first": ""}, 8),
    "08:00 and 20:00": ({"at": ["08:00", "20:00"]}, 12),
    "before breakfast and supper": ({"meals": ["before breakfast", "before supper"]}, 12),
    "mondays and thursdays": ({"on": ["monday", "thursday"]}, 84),
    "08:00 daily, 900 doses": ({"at": ["08:00"], "doses": 900}, 24),
    "a series of four": ({"series": [{}, *[{"after": "2 months", "least_after": "4 weeks"}] * 3]}, 1460),
    "when needed, 4 in 24 hours": ({"when_needed": True, "least_interval": "4 hours", "at_most_doses": 4}, 24),
}
HISTORIES = (1, 26, 730)


def order_of(schedule: dict[str, Any], start: datetime) -> Order:
    """An order of that kind from its first dose on."""
    policy = load_policy("uk")
    if "first" in schedule:
        schedule = {**schedule, "first": start.isoformat()}
    rule = {"medicine": "any", "dose": {"amount": "5 mg"}, "start": start.date().isoformat(), "schedule": schedule}
    entry = medicine_of({"name": "any", "presentations": [{"strength": "1 mg/mL"}]}, policy)
    return read_order(Fields({"order": rule}, "", policy.notation, []), entry, policy)


def measure_one() -> None:
    calendar, now = calendar_of(load_policy("uk"), LONDON), NOW.astimezone(LONDON)
    print(
        f"e. one next dose, microseconds (target 100), by doses so far{'':8} {'  '.join(f'{n:>6}' for n in HISTORIES)}"
    )
    for words, (schedule, hours) in SCHEDULES.items():
        found = []
        for count in HISTORIES:
            first = now - timedelta(hours=hours * count - 2)
            past = [PastDose(medicine="any", at=first + timedelta(hours=hours * index)) for index in range(count)]
            order, given = order_of(schedule, first), of_medicine(past, "any")

            def work(given: tuple[PastDose, ...] = given, order: Order = order) -> object:
                born = now.date().replace(year=1980)
                return next_due(order, doses=given, label=NO_TIMING, calendar=calendar, now=now, born=born)

            work()
            number = max(1, int(0.02 / max(seconds(work), 1e-6)))
            times = timeit.repeat(work, number=number, repeat=7, timer=time.process_time)
            found.append(min(times) / number * 1e6)
        slow = "   over" if max(found) > 100 else ""
        print(f"   {words:65} {'  '.join(f'{one:6.0f}' for one in found)}   {found[-1] / found[0]:.1f} times{slow}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--orders", type=int, default=5_000, help="open orders, one a patient")
    parser.add_argument("--folder", type=Path, help="where to make the record; the system's own place otherwise")
    chosen = parser.parse_args()
    measure_one()
    with tempfile.TemporaryDirectory(prefix="due-benchmark-", dir=chosen.folder) as name:
        path = Path(name) / "record.sqlite"
        with Store.create(path, now=NOW - timedelta(days=800), name="benchmark") as store:
            count = build(store, chosen.orders)
        print(f"{chosen.orders:,} open orders, {count:,} facts of patients")
        measure_list(path, chosen.orders)


if __name__ == "__main__":
    main()
