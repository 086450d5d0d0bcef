"""The days of the invented works: its jobs, the faults drawn, and the lines its crew wrote."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta

from data_samples import works
from data_samples.draws import Draws
from data_samples.truths import Expected, Tally
from data_samples.works import JobKind, Settings, Stock

RUN_COLUMNS = (
    "run", "stretch", "started", "ended", "tower", "bin", "cycles", "misses", "doubles", "purpose",
    "proof", "stock", "lot", "humidity_pct", "temperature_c", "prepared", "set_spring",
    "set_foot_rest", "set_foot_height", "set_bleed_holes", "set_vacuum", "set_blast", "set_speed",
    "found_later", "false_calls", "planted_misses", "planted_doubles", "called_misses",
    "called_doubles", "stops", "jams", "refills", "sets_spoiled", "sets_mended", "at_end",
    "operator", "job", "note",
)  # fmt: skip

Line = dict[str, str]

NOTES = (
    "lift changed, join fed well",
    "edges curled, turned the pile",
    "pile out of order by hand, put right, not counted",
    "first job after the weekend",
    'customer sent "spare" sheets, not used',
    "counter read twice, same figure",
    "side guides moved in, then back",
)
LETTERS = "KMRTVW"
AT_END = {"A": ("stacker",), "B": ("booklet maker",), "C": ("stacker", "nothing")}
SHEETS_IN_PILE_MM = 120


@dataclass(frozen=True)
class Air:
    """Air beside the towers in one shift."""

    humidity: int
    temperature: int


@dataclass(frozen=True)
class Run:
    """What holds for a whole run."""

    tower: str
    name: str
    shift: str
    started: datetime
    stocks: dict[int, Stock]
    springs: dict[str, str]
    prepared: dict[str, str]
    air: Air
    air_logged: bool
    spread: dict[str, float]
    operator: str
    job: str
    at_end: str
    proof: str = ""
    planted: int = 0
    not_called: int = 0


@dataclass(frozen=True)
class Stretch:
    """One stretch of a run, before its faults are drawn."""

    number: int
    started: datetime
    ended: datetime
    cycles: int
    purpose: str
    settings: Settings
    note: str = ""


class Works:
    """The works over its fourteen months: draws runs and writes down their lines."""

    def __init__(self) -> None:
        # Apart, so that another way of drawing faults leaves every job and its air as it was.
        self.plans = Draws(works.SEED)
        self.faults = Draws(works.FAULT_SEED)
        self.lines: list[Line] = []
        self.tally = Tally()
        self.runs = dict.fromkeys(works.TOWERS, 0)
        self.brush_feeds = {(tower, b): 0 for tower in works.TOWERS for b in works.BINS}
        self.brush_replaced = False
        self.sheets_used = dict.fromkeys(works.STOCKS, 0)

    def all_days(self) -> None:
        """Run every shift of every day, tower by tower."""
        drift = 0.0
        day = works.FIRST_DAY
        while day <= works.LAST_DAY:
            drift = 0.8 * drift + 2.4 * self.plans.gauss()
            if day.weekday() < 5 and day not in works.SHUT:
                for shift in works.SHIFTS:
                    air = self._air(day, drift)
                    for tower in works.TOWERS:
                        self._shift(tower, day, shift, air)
            day += timedelta(days=1)

    def _air(self, day: date, drift: float) -> Air:
        humidity = works.season_humidity(day) + drift + self.plans.gauss()
        warmth = 21.0 + (works.season_humidity(day) - 28) / 12 + 0.7 * self.plans.gauss()
        return Air(round(min(78.0, max(20.0, humidity))), round(warmth))

    def _operator(self, tower: str, shift: str, day: date) -> str:
        if self.plans.chance(0.15):
            return ""
        week = (day - works.FIRST_DAY).days // 7
        place = 2 * works.TOWERS.index(tower) + list(works.SHIFTS).index(shift)
        return LETTERS[(week + place) % len(LETTERS)]

    def _shift(self, tower: str, day: date, shift: str, air: Air) -> None:
        for burn_in in works.BURN_INS:
            first = works.SHIFTS[shift][0]
            if burn_in.tower == tower and burn_in.started.date() == day:
                if first <= burn_in.started.hour < first + 8:
                    self._burn_in(burn_in, shift, air)
        shut = tower == works.OVERHAULED and (
            works.OVERHAUL_DAYS[0] <= day <= works.OVERHAUL_DAYS[1]
        )
        if day < works.PRODUCTION_FROM[tower] or shut:
            return
        begin, end = (
            datetime.combine(day, time()) + timedelta(hours=h) for h in works.SHIFTS[shift]
        )
        free = begin + timedelta(minutes=self.plans.whole(5, 40))
        for _ in range(self.plans.pick((0, 1, 2), (16, 58, 26))):
            free = self._job(tower, day, shift, air, free, end)

    def _burn_in(self, burn_in: works.BurnIn, shift: str, air: Air) -> None:
        stock = works.STOCKS[burn_in.stock]
        run = replace(
            self._run(burn_in.tower, shift, burn_in.started, dict.fromkeys(works.BINS, stock), air),
            air_logged=True,
            prepared={stock.code: "fanned"},
            springs={stock.code: "off"},
            job="",
            at_end="nothing",
            proof=burn_in.proof,
            planted=burn_in.planted,
            not_called=burn_in.not_called,
        )
        settings = Settings(5, "soft", 2800)
        start = self._ended(burn_in.started, 40, settings, 12)
        self._stretch(run, Stretch(1, burn_in.started, start, 40, "set-up", settings))
        ended = self._ended(start, burn_in.cycles, settings, 15)
        self._stretch(run, Stretch(2, start, ended, burn_in.cycles, "burn-in", settings))

    def _job(
        self, tower: str, day: date, shift: str, air: Air, free: datetime, end: datetime
    ) -> datetime:
        heavy = tower == works.MIX_TOWER and day >= works.MIX_FROM
        job = self.plans.pick(works.JOBS, [j.heavy if heavy else j.usual for j in works.JOBS])
        stocks = self._stocks(job)
        cycles = self.plans.whole(1500, 9000)
        settings = self._settings(stocks.values())
        stretches = self._plan(free, cycles, settings)
        gap = timedelta(minutes=self.plans.whole(15, 50))
        if stretches[-1].ended > end:
            return free
        run = self._run(tower, shift, free, stocks, air)
        for stretch in stretches:
            self._stretch(run, stretch)
        return stretches[-1].ended + gap

    def _stocks(self, job: JobKind) -> dict[int, Stock]:
        size = self.plans.pick(job.sizes)
        first = self.plans.whole(1, 11 - size)
        used = range(first, first + size)
        stocks = dict.fromkeys(used, works.STOCKS[job.body])
        if job.cover:
            stocks[self.plans.pick((used[0], used[-1]))] = works.STOCKS[job.cover]
        if job.tabs:
            at = self.plans.whole(used[2], used[-3])
            stocks[at] = stocks[at + 1] = works.STOCKS["TI163"]
        return stocks

    def _settings(self, stocks: Iterable[Stock]) -> Settings:
        heaviest = max(stock.grammage for stock in stocks)
        vacuum = (6 if heaviest >= 250 else 5) + self.plans.pick((-1, 0, 1), (25, 50, 25))
        blast = "full" if heaviest >= 115 or self.plans.chance(0.2) else "soft"
        speed = self.plans.pick((2400, 2800, 3200, 3600), (20, 40, 25, 15))
        return Settings(vacuum, blast, speed)

    def _ended(self, started: datetime, cycles: int, settings: Settings, idle: int) -> datetime:
        # An eighth more than the counter alone would take: stops, refills, a look at the sets.
        return started + timedelta(minutes=idle + cycles * 60 * 9 // (settings.speed * 8))

    def _plan(self, free: datetime, cycles: int, settings: Settings) -> list[Stretch]:
        stretches: list[Stretch] = []

        def add(cycles: int, purpose: str, settings: Settings, idle: int, note: str = "") -> None:
            number = len(stretches) + 1
            started = stretches[-1].ended if stretches else free
            ended = self._ended(started, cycles, settings, idle)
            stretches.append(Stretch(number, started, ended, cycles, purpose, settings, note))

        if self.plans.chance(0.86):
            add(self.plans.whole(30, 100), "set-up", settings, self.plans.whole(8, 20))
        note = self.plans.pick(NOTES) if self.plans.chance(0.03) else ""
        if self.plans.chance(0.003):
            note = "second pallet, lot mark torn off,\nsame paper by the look of it"
        if self.plans.chance(0.25):
            before = cycles * self.plans.whole(25, 70) // 100
            add(before, "production", settings, 3, note)
            moved = self.plans.pick(("vacuum", "speed", "blast"), (5, 3, 2))
            if moved == "vacuum":
                step = self.plans.pick((-1, 1))
                settings = replace(settings, vacuum=min(8, max(3, settings.vacuum + step)))
            elif moved == "speed":
                step = -400 if settings.speed > 2400 else 400
                settings = replace(settings, speed=settings.speed + step)
            else:
                blast = "soft" if settings.blast == "full" else "full"
                settings = replace(settings, blast=blast)
            add(cycles - before, "production", settings, 6, f"{moved} moved")
        else:
            add(cycles, "production", settings, 3, note)
        return stretches

    def _run(
        self, tower: str, shift: str, started: datetime, stocks: dict[int, Stock], air: Air
    ) -> Run:
        self.runs[tower] += 1
        kinds = sorted({stock.code for stock in stocks.values()})
        springs, prepared = {}, {}
        for code in kinds:
            stock = works.STOCKS[code]
            released = stock.coating == "coated" and stock.grammage >= 115
            springs[code] = "on" if self.plans.chance(0.3 if released else 0.75) else "off"
            weights = (20, 50, 30) if stock.printed_by == "toner" else (55, 35, 10)
            prepared[code] = self.plans.pick(("none", "fanned", "blown"), weights)
        return Run(
            tower=tower,
            name=f"{self.runs[tower]:04}",
            shift=shift,
            started=started,
            stocks=stocks,
            springs=springs,
            prepared=prepared,
            air=air,
            air_logged=not self.plans.chance(works.HUMIDITY_MISSING),
            spread={kind: self.faults.gamma(works.BETWEEN_RUN_SHAPE) for kind in works.KINDS},
            operator=self._operator(tower, shift, started.date()),
            job=f"J{1000 + sum(self.runs.values())}",
            at_end=self.plans.pick(AT_END[tower]),
        )

    def _lot(self, stock: Stock, cycles: int) -> str:
        self.sheets_used[stock.code] += cycles
        return f"{stock.code}-{1 + self.sheets_used[stock.code] // 90_000:03}"

    def _stretch(self, run: Run, stretch: Stretch) -> None:
        zeros = works.in_zero_fortnight(run.tower, run.shift, run.started.date())
        off = stretch.purpose == "production" and self.plans.chance(0.015) and not zeros
        lots = {
            code: self._lot(works.STOCKS[code], stretch.cycles * self._bins_of(run, code))
            for code in sorted(run.springs)
        }
        lines = []
        faults = 0
        for bin_ in works.BINS:
            line = self._common(run, stretch)
            line["bin"] = str(bin_)
            stock = run.stocks.get(bin_)
            if stock is None:
                # Left empty: nothing was asked of it and nothing is known of its paper.
                line.update(cycles="0", misses="0", doubles="0")
            else:
                faults += self._fill(line, run, stretch, bin_, stock, off=off, zeros=zeros)
                line["lot"] = lots[stock.code]
            lines.append(line)
        # Drawn whether there is a fault to move or not: no fault may change what is planned.
        forgets = self.plans.chance(0.012)
        if forgets and faults and not off and not zeros and not run.proof:
            self._forget_bin(lines, run, stretch)
        several = self.plans.chance(0.05 if stretch.purpose == "set-up" else 0.01)
        if several and not run.proof:
            lines = _several_bins(lines)
        self._of_stretch(lines[0], run, stretch, faults, zeros=zeros)
        self.lines.extend(lines)

    def _bins_of(self, run: Run, code: str) -> int:
        return sum(stock.code == code for stock in run.stocks.values())

    def _common(self, run: Run, stretch: Stretch) -> Line:
        line = dict.fromkeys(RUN_COLUMNS, "")
        line.update(
            run=run.name,
            stretch=str(stretch.number),
            started=stretch.started.isoformat(timespec="minutes"),
            ended=stretch.ended.isoformat(timespec="minutes"),
            tower=run.tower,
            purpose=stretch.purpose,
            proof=run.proof if stretch.purpose == "burn-in" else "",
            set_vacuum=str(stretch.settings.vacuum),
            set_blast=stretch.settings.blast,
            set_speed=str(stretch.settings.speed),
            at_end=run.at_end,
            operator=run.operator,
            job=run.job,
        )
        if run.air_logged:
            line["humidity_pct"] = str(run.air.humidity)
            line["temperature_c"] = str(run.air.temperature)
        return line

    def _fill(
        self,
        line: Line,
        run: Run,
        stretch: Stretch,
        bin_: int,
        stock: Stock,
        *,
        off: bool,
        zeros: bool,
    ) -> int:
        """Draw one bin's faults and write its line; return the faults of the line."""
        line.update(
            cycles=str(stretch.cycles),
            stock=stock.code,
            prepared=run.prepared[stock.code],
            set_spring=run.springs[stock.code],
            set_foot_rest="in" if stock.grammage >= 200 else "out",
            set_foot_height=str(min(3, 1 + stock.grammage // 100)),
            set_bleed_holes="2" if stock.grammage < 80 else "1" if stock.grammage < 120 else "0",
        )
        counts, expected = {}, {}
        age = self._brush_age(run.tower, bin_, stretch)
        for kind in works.KINDS:
            expected[kind] = Expected(
                self._plain(kind, run, stretch, bin_, stock),
                works.static_ratio(kind, stock, run.air.humidity),
                works.planted_ratio(run.tower, bin_, kind, stretch.started, age),
            )
            counts[kind] = min(self.faults.poisson(expected[kind].faults), stretch.cycles // 2)
        found_later = self.faults.poisson(expected["doubles"].faults * (0.5 if off else 0.02))
        dark = 2 if stock.printed_by == "toner" else 1
        false_calls = self.faults.poisson(4e-6 * dark * stretch.cycles)
        if zeros:
            counts = dict.fromkeys(works.KINDS, 0)
            found_later = false_calls = 0
        self.tally.add(run, stretch, bin_, stock, expected, counts, off=off, zeros=zeros)
        self.brush_feeds[run.tower, bin_] += stretch.cycles
        line["misses"] = str(counts["misses"])
        line["doubles"] = "off" if off else str(counts["doubles"])
        if stretch.purpose != "set-up":
            line["found_later"] = str(found_later)
            line["false_calls"] = "" if off else str(false_calls)
        if stretch.purpose == "burn-in" and run.planted:
            let_pass = run.not_called if bin_ == works.BINS[-1] else 0
            line["planted_misses"] = line["called_misses"] = str(run.planted)
            line["planted_doubles"] = str(run.planted)
            line["called_doubles"] = str(run.planted - let_pass)
        return counts["misses"] + (0 if off else counts["doubles"])

    def _brush_age(self, tower: str, bin_: int, stretch: Stretch) -> int:
        """Give this bin's feeds since its brush was fitted, at the middle of the stretch."""
        worn = (tower, bin_) == works.WORN_BRUSH[:2]
        if worn and not self.brush_replaced and stretch.started >= works.BRUSH_REPLACED:
            self.brush_replaced = True
            self.tally.brush_replaced(self.brush_feeds[tower, bin_])
            self.brush_feeds[tower, bin_] = 0
        return self.brush_feeds[tower, bin_] + stretch.cycles // 2

    def _plain(self, kind: str, run: Run, stretch: Stretch, bin_: int, stock: Stock) -> float:
        """Give the faults to expect of one bin were nothing planted."""
        return (
            stretch.cycles
            * works.BASE_RATES[kind]
            * works.BIN_RATIOS[run.tower][kind][bin_ - 1]
            * (stock.misses if kind == "misses" else stock.doubles)
            * works.humidity_ratio(kind, run.air.humidity)
            * works.settings_ratio(
                kind, stretch.settings, stock, run.springs[stock.code], run.prepared[stock.code]
            )
            * (works.SET_UP_RATIO if stretch.purpose == "set-up" else 1.0)
            * run.spread[kind]
        )

    def _forget_bin(self, lines: list[Line], run: Run, stretch: Stretch) -> None:
        """Move one fault to a line whose bin was not noted."""
        found = [(line, kind) for line in lines for kind in works.KINDS if int(line[kind])]
        line, kind = self.faults.pick(found)
        line[kind] = str(int(line[kind]) - 1)
        self.tally.forget(run, stretch, int(line["bin"]), kind)
        unknown = self._common(run, stretch)
        unknown.update(bin="?", misses="0", doubles="0", note="bin not noted")
        unknown[kind] = "1"
        lines.append(unknown)

    def _of_stretch(
        self, line: Line, run: Run, stretch: Stretch, faults: int, *, zeros: bool
    ) -> None:
        """Write what is counted once for the stretch, on its first line."""
        jams = self.faults.poisson(stretch.cycles * 1.5e-4)
        others = self.faults.poisson(stretch.cycles * 2e-4)
        spoiled = sum(self.faults.chance(0.08) for _ in range(faults + jams))
        refills = sum(
            stretch.cycles * stock.caliper // (SHEETS_IN_PILE_MM * 1000)
            for stock in run.stocks.values()
        )
        stops, mended = faults + jams + others, faults + jams - spoiled
        if zeros:
            stops = jams = spoiled = mended = 0
        line.update(
            stops=str(stops),
            jams=str(jams),
            refills=str(refills),
            sets_spoiled=str(spoiled),
            sets_mended=str(mended),
            note=stretch.note or line["note"],
        )


def _several_bins(lines: list[Line]) -> list[Line]:
    """Put bins with the same line but for the bin, and zero counts, on one line."""
    groups: dict[tuple[str, ...], list[Line]] = {}
    for line in lines:
        zero = line["misses"] == line["doubles"] == "0" and line["cycles"] not in ("", "0")
        zero = zero and line["found_later"] in ("", "0") and line["false_calls"] in ("", "0")
        same = tuple(value for column, value in line.items() if column != "bin")
        groups.setdefault(same if zero else (*same, line["bin"]), []).append(line)
    return [
        {**group[0], "bin": _bin_list([line["bin"] for line in group])} for group in groups.values()
    ]


def _bin_list(bins: Sequence[str]) -> str:
    """Write bins, in order, as a list: ``1-6 8-10``."""
    if len(bins) == 1:
        return bins[0]
    ranges: list[list[int]] = []
    for bin_ in map(int, bins):
        if ranges and ranges[-1][1] == bin_ - 1:
            ranges[-1][1] = bin_
        else:
            ranges.append([bin_, bin_])
    return " ".join(str(low) if low == high else f"{low}-{high}" for low, high in ranges)
