"""Rule sets at random, as text: every kind of expression, limit, rule and derived result."""

from collections.abc import Callable
from random import Random

# Name, unit, molar mass, and numbers that matter: values, limits and literals share them, so that
# edges are met often.
GRID = {
    "potassium": ("mmol/L", "", ("2.8", "3.5", "4.0", "5.0", "5.1", "6.0", "6.2")),
    "calcium": ("mmol/L", "40.078", ("1.5", "1.75", "2.0", "2.25", "2.5", "3.0")),
    "creatinine": ("umol/L", "113.120", ("45", "60", "90", "100", "150", "2000")),
    "albumin": ("g/L", "", ("0", "20", "30", "40", "50.5")),
    "hemolysis": ("g/L", "", ("0", "0.5", "1", "10")),
    "lipemia": ("{index}", "", ("0", "10", "150", "1500")),
}
AMOUNTS, MASSES = ("potassium", "calcium", "creatinine"), ("albumin", "hemolysis")
LITERALS = {
    "mol": (*GRID["potassium"][2], "2.0", "100"),
    "g": ("0.5", "1", "10", "40", "50.5"),
    "": ("0", "1", "1.5", "2", "3", "0.5", "10"),
}
UNITS = {"mol": ("mmol/L", "mmol/L", "umol/L"), "g": ("g/L", "mg/dL"), "": ("",)}
LEVELS = ("95 %", "99 %", "95 % one-sided", "99 % one-sided")
WINDOWS = ("2 hours", "48 hours", "3 days", "7 days", "2 weeks", "our_window")
AGES = ("28 days", "4 weeks", "1 month", "6 months", "1 year", "18 years", "65 years")
POPULATIONS = {
    "adult": "age >= 18 years",
    "child": "age < 18 years and age >= 28 days",
    "newborn": "age < 28 days",
    "woman": "adult and sex is female",
    "spared": "not treated",
    "grown": "age >= our_age",
    "treated": 'attribute class is "dialysis" or specimen is plasma',
}


class Writer:
    """Writes one rule set; the same seed writes the same."""

    def __init__(self, random: Random) -> None:
        self.random, self.pick = random, random.choice
        self.derived: dict[str, list[str]] = {"mol": [], "g": [], "": []}
        self.lets: list[str] = []
        self.test, self.past = "", True

    def made(self) -> list[str]:
        """Return the names of the derived results written so far."""
        return [name for names in self.derived.values() for name in names]

    # --- numbers of a dimension: amounts, masses, plain numbers ---

    def number(self, of: str, depth: int) -> str:
        """Return a number of dimension `of` as text."""
        if depth <= 0 or self.random.random() < 0.35:
            return self._simple(of)
        a, b, plain = (self.number(d, depth - 1) for d in (of, of, ""))
        forms = [f"({a} + {b})", f"({a} - {b})", f"({plain} * {a})", f"({a} / {plain})",
                 f"min({a}, {b})", f"max({a}, {b})", f"abs({a})", f"(- {a})",
                 f"(if {self.truth(depth - 1)} then {a} else {b})"]  # fmt: skip
        if of == "":
            other = self.pick(("mol", "g"))
            x, y = self.number(other, depth - 1), self.number(other, depth - 1)
            forms += [f"({x} / {y})", f"ln({a})", f"sqrt({a})", f"pow({a}, {self.pick('0123')})",
                      f"exp(min({a}, 5))", f"round({a}, {self.pick('012')})"]  # fmt: skip
        return self.pick(forms)

    def _names(self, of: str) -> list[str]:
        names = {"mol": AMOUNTS, "g": MASSES, "": ()}[of]
        return [*names, *self.derived[of]]

    def _simple(self, of: str) -> str:
        names = self._names(of)
        if not names or self.random.random() < 0.25:
            extra = self.lets if of == "" else []
            if of == "" and self.random.random() < 0.3:
                return self.pick([*extra, "age in years", "twice"])
            if of == "mol" and self.random.random() < 0.1:
                return "usual"
            return f"{self.pick(LITERALS[of])} {self.pick(UNITS[of])}".strip()
        name = self.pick(names)
        if self.test in names and self.random.random() < 0.6:
            name = "result"
        if not self.past or self.random.random() < 0.7:
            return f"round({name}, {self.pick('012')})" if self.random.random() < 0.1 else name
        measured = self.test if name == "result" else name
        if measured in GRID and self.random.random() < 0.2:
            return f"preceding({name})"
        function = self.pick(("previous", "lowest", "highest", "median", "change"))
        return f"{function}({name} within {self.pick(WINDOWS)})"

    # --- conditions ---

    def truth(self, depth: int) -> str:
        """Return a condition as text."""
        if depth > 0 and self.random.random() < 0.5:
            parts = [self.truth(depth - 1) for _ in range(self.pick((2, 2, 3)))]
            return self.pick([f"({' and '.join(parts)})", f"({' or '.join(parts)})",
                              f"(not {parts[0]})"])  # fmt: skip
        return f"({self.pick(self._conditions())(depth)})"

    def _conditions(self) -> list[Callable[[int], str]]:
        patient = [self._patient, lambda depth: self.pick([*POPULATIONS])]
        values = [self._compared, self._compared, self._compared, self._literal, self._between,
                  self._known, self._limit]  # fmt: skip
        around = [self._old, self._control]
        return [*values, *values, *patient, *around, *([self._percent] if self.past else [])]

    def _compared(self, depth: int) -> str:
        of = self.pick(("mol", "mol", "g", ""))
        left, right = self.number(of, depth), self.number(of, depth)
        return f"{left} {self._sign()} {right}"

    def _sign(self) -> str:
        return self.pick((">", ">=", "<", "<=", "="))

    def _literal(self, depth: int) -> str:
        name = self.pick([*GRID])
        unit, mass, values = GRID[name]
        said = f"{self.pick(values)} {unit}"
        if mass and self.random.random() < 0.4:
            said = f"{self.pick(('8', '1.02', '10.5'))} mg/dL"
        if name == "lipemia" and self.random.random() < 0.3:
            said = self.pick(values)
        name = "result" if name == self.test else name
        pair = (name, said) if self.random.random() < 0.8 else (said, name)
        return f"{pair[0]} {self._sign()} {pair[1]}"

    def _between(self, depth: int) -> str:
        name = self.pick([*GRID])
        unit, _, values = GRID[name]
        low, high = sorted(self.random.sample(values, 2), key=float)
        return f"{name} is between {low} {self.pick((unit, ''))} and {high} {unit}"

    def _known(self, depth: int) -> str:
        what = self.pick([*GRID, *self.made(), "previous(potassium within 7 days)",
                          "potassium + calcium"])  # fmt: skip
        if not self.past and what.startswith("previous"):
            what = "calcium"
        return f"{what} is {self.pick(('', 'not '))}known"

    def _limit(self, depth: int) -> str:
        name = self.pick([self.test and "result", *GRID, *self.made()])
        name = name or "calcium"
        return name + self.pick((" is critical", " is not critical", " is outside reference",
                                 " is outside autorelease", " is outside possible",
                                 " changed too much"))  # fmt: skip

    def _old(self, depth: int) -> str:
        low, high = self.pick(("2 hours", "1 hour", "90 minutes")), self.pick(("8 hours", "1 day"))
        return self.pick([
            f"specimen age {self._sign()} {self.pick((low, high))}",
            f"{self.pick((low, high))} {self._sign()} specimen age",
            f"specimen age is between {low} and {high}",
            f"specimen age is {self.pick(('', 'not '))}known",
        ])  # fmt: skip

    def _control(self, depth: int) -> str:
        name = self.pick([self.test and "result", *GRID]) or "calcium"
        return f"{name} is {self.pick(('', 'not '))}{self.pick(('in', 'out of'))} control"

    def _percent(self, depth: int) -> str:
        name = self.pick([*GRID])
        window, most = self.pick(WINDOWS), self.pick(("0", "10", "20", "50", "100"))
        if self.random.random() < 0.2:
            most = f"rcv(analytical 3 %, within-subject 4 %, {self.pick(LEVELS)})"
            return f"percent change({name} within {window}) > {most}"
        if self.random.random() < 0.3 and name != "lipemia":
            unit = GRID[name][0]
            each = self.pick(("day", "hour"))
            return f"rate per {each}({name} within {window}) {self._sign()} {most} {unit}/{each[0]}"
        return f"percent change({name} within {window}) {self._sign()} {most} %"

    def _patient(self, depth: int) -> str:
        return self.pick([
            f"age {self.pick(('>=', '<'))} {self.pick(AGES)}",
            f"sex is {self.pick(('', 'not '))}{self.pick(('male', 'female'))}",
            f"specimen is {self.pick(('serum', 'plasma', 'not serum'))}",
            f'attribute {self.pick(("class", "ward"))} is {self.pick(("", "not "))}"dialysis"',
        ])  # fmt: skip

    # --- statements ---

    def rule_set(self) -> str:
        """Return a whole rule set."""
        lines = [
            "group salts potassium, calcium, more", "group more lipemia, hemolysis",
            "parameter usual = 5.0 mmol/L", '  from "s"', "parameter twice = 2", '  from "s"',
            f"parameter our_window = {self.pick(WINDOWS[:-1])}", '  from "s"',
            "parameter our_age = 28 days", '  from "s"', "parameter our_time = 20 minutes",
            '  from "s"',
        ]  # fmt: skip
        lines += [f"population {name} {condition}" for name, condition in POPULATIONS.items()]
        for name, (unit, mass, _) in GRID.items():
            lines += [f"test {name}", "  in serum, plasma", f"  unit {unit} decimals 1"]
            lines += [f"  molar mass {mass} g/mol"] if mass else []
            lines += ["  uncontrolled"] if name == "lipemia" else []
        self.past = False
        for n in range(self.random.randrange(4)):
            lines += self._derive(n)
        self.past = True
        for name in [*GRID, *self.made()]:
            lines += self._limits(name)
        for n in range(self.random.randrange(3, 9)):
            lines += self._rule(n)
        return "\n".join(lines) + "\n"

    def _derive(self, n: int) -> list[str]:
        of, name = self.pick(("mol", "g", "")), f"made{n}"
        lines = [f"derive {name}", '  from "s"']
        if self.random.random() < 0.3:
            lines.append(f"  for {self.pick([*POPULATIONS])}")
        lines += {"mol": ["  unit mmol/L"], "g": ["  unit g/L"], "": []}[of]
        lines += self.pick(([], ["  decimals 0"], ["  decimals 1"], ["  decimals 2"]))
        if self.random.random() < 0.4:
            lines.append(f"  let part{n} = {self.number('', 2)}")
            self.lets = [f"part{n}"]
        for _ in range(self.pick((0, 0, 1, 2))):
            lines.append(f'  only when {self.truth(1)} ("not so")')
        lines.append(f"  formula {self.number(of, 2)}")
        self.lets = []
        if self.random.random() < 0.7:
            lines.append(f'  report as local "M{n}"')
        self.derived[of].append(name)
        return lines

    def _limits(self, name: str) -> list[str]:
        values = GRID[name][2] if name in GRID else LITERALS["mol"]
        lines = []
        lowest, low, high, highest = sorted(self.random.sample(values, 4), key=float)
        for kind in ("reference", "critical", "autorelease", "possible"):
            for who in self._whom():
                row = f"{low} to {high}" if kind == "reference" else f"{lowest} to {high}"
                if kind == "critical":
                    row = self.pick((f"below {low}", f"{lowest} or below", f"above {high}",
                                     f"below {lowest}, {highest} or above"))  # fmt: skip
                lines.append(f"  {kind} {who} {row}")
        for who in self._whom():
            most = self.pick(("10 %", "50 %", "1", "0.5", "20", "1 per day", "10 % per day",
                              "0.1 per hour", "1 % per hour",
                              f"rcv(analytical 3 %, within-subject 4 %, {self.pick(LEVELS)})",
                              "lognormal rcv(analytical 3 %, within-subject 14 %, "
                              f"{self.pick(LEVELS)})"))  # fmt: skip
            lines.append(f"  change {who} at most {most} within {self.pick(WINDOWS)}")
        return [f"limits for {name}", '  from "s"', *lines] if lines else []

    def _whom(self) -> list[str]:
        """Return populations no patient belongs to twice."""
        groups = (
            ["adult", "child", "newborn"],
            ["treated", "spared"],
            ["woman", "newborn"],
            ["in serum", "in plasma"],
            ["adult in serum", "child", "adult in plasma"],
        )
        some = self.pick(groups)
        return self.pick(([], [""], self.random.sample(some, self.random.randrange(1, len(some)))))

    def _rule(self, n: int) -> list[str]:
        judged = [*GRID, *self.made()]
        self.test = self.pick(["", "*", "salts", *judged, *judged])
        some = [*judged, "more", "salts"]
        scopes = [
            f"hold {self.pick(('specimen', 'patient'))} when",
            f"hold {', '.join(self.random.sample(some, 2))} when",
        ]
        header = {"": "", "*": "for every test"}.get(self.test, f"for {self.test}")
        if self.test == "*" and self.random.random() < 0.4:
            header += f" except {', '.join(self.random.sample(some, 2))}"
        if self.test:
            scopes += ["hold when"] * 4 + ["when"]
        self.test = "" if self.test in ("*", "salts") else self.test
        condition = self.truth(2)
        if header.startswith("for every") and self.random.random() < 0.7:
            condition = self.pick(("result is critical", "result is outside reference",
                                   "result changed too much"))  # fmt: skip
        lines = [f"rule r{n} {header}", '  from "s"', f"  {self.pick(scopes)} {condition}"]
        lines += [f"  when unknown {self.pick(('hold', 'ignore'))}", f'  because "r{n}"']
        if self.random.random() < 0.25:
            lines.append(f'  except when {self.truth(1)} ("x")')
        if self.random.random() < 0.2:
            names = ", ".join(self.random.sample([*GRID], 2))
            lines.append(
                f"  wait up to {self.pick(('20 minutes', '1 hour', 'our_time'))} for {names}"
            )
        lines += self.random.sample(
            [
                '  comment "c"',
                "  ask for rerun",
                f"  call ward within {self.pick(('30 minutes', 'our_time'))}",
                '  suppress as "not valid"',
                "  order creatinine, salts",
            ],
            self.pick((0, 0, 1, 2)),
        )
        self.test = ""
        return lines
