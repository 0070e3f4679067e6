"""What the demo does on the service's own database: accounts, acts of people, and looking."""

import secrets
from collections.abc import Mapping

from verifier import clock, settings
from verifier.demo import controls
from verifier.demo.controls import Seen
from verifier.demo.laboratory import Laboratory
from verifier.demo.scenario import Act
from verifier.errors import VerifierError
from verifier.facts.verdicts import Decision
from verifier.service import actions, qualityacts
from verifier.service.controlling import Controls
from verifier.service.judging import Judge
from verifier.service.rulestart import deciding
from verifier.store.people import hash_password
from verifier.store.rows import ROLES, Person, StoredCase
from verifier.store.store import Store
from verifier.store.transaction import Reader, Transaction

NOBODY = "demo"


class Desk:
    """The people's side of the laboratory, in the demo's own process beside the service."""

    def __init__(self, laboratory: Laboratory) -> None:
        loaded = settings.load(laboratory.config)
        self.store = Store.of(loaded)
        rules = deciding(self.store, loaded, clock.now)
        self.program = rules.program
        self._tests = tuple(self.program.catalogue.tests)
        self._controls = Controls(Judge(loaded, rules.program, rules.version))
        self._judge = self._controls.judge

    def close(self) -> None:
        """Close the database."""
        self.store.close()

    def open_accounts(self) -> Mapping[str, str]:
        """Make one account per role, called like the role, and return their passwords."""
        passwords: dict[str, str] = {role: secrets.token_urlsafe(12) for role in ROLES}
        hashed = {role: hash_password(password) for role, password in passwords.items()}

        def work(tx: Transaction) -> None:
            for role in ROLES:
                tx.add_person(role, role, hashed[role])
                tx.audit(NOBODY, f"added as {role}", f"person:{role}")

        self.store.write(work)
        return passwords

    def act(self, step: Act) -> None:
        """Do what a person does, on record under that person's name."""
        self.store.write(lambda tx: self._act(tx, step, _person(tx, step.who)))

    def decision_on(
        self, application: str, control: str, specimen: str, patient: str
    ) -> Decision | None:
        """Return the decision that the newest message with a control id caused, None if none.

        The case is looked for under its specimen, or under its patient's number if it has none.
        """

        def look(reader: Reader) -> Decision | None:
            receipts = reader.receipts(application, FACILITY, control)
            if not receipts:
                return None
            wanted = receipts[0].message_id
            for case in _cases(reader, specimen, patient):
                for made in reader.decisions(case.id):
                    if made.message_id == wanted:
                        return made.decision
            return None

        return self.store.read(look)

    def undelivered(self) -> int:
        """Return how many messages still wait for the LIS."""
        counts = self.store.read(lambda reader: reader.outbox_counts())
        return sum(count.waiting for count in counts.values())

    def problems(self) -> list[str]:
        """Return what the page shows of messages to look at: outcome and why, oldest first."""
        found = self.store.read(lambda reader: reader.problems())
        return [f"{each.outcome}: {each.error or each.note}" for each in reversed(found)]

    def refused(self) -> int:
        """Return how many messages the LIS refused."""
        return len(self.store.read(lambda reader: reader.rejected_outgoing()))

    def control_seen(self, test: str, analyzer: str) -> Seen | None:
        """Return what became of the newest control of a test on an analyzer."""
        return self.store.read(lambda reader: controls.seen(reader, test, analyzer))

    def reviews(self) -> list[str]:
        """Return what is to be looked into after a control failed, oldest first."""
        return controls.listed(self.store.read(lambda reader: reader.open_reviews()))

    def verified(self) -> list[str]:
        """Sign the audit log's head and return what is wrong with it; nothing when it is whole."""
        self.store.checkpoint()
        report = self.store.verify_audit()
        return list(report.findings)

    def _act(self, tx: Transaction, step: Act, who: Person) -> None:
        now = clock.now()
        match step.do:
            case "control":
                for test in self._tests if step.tests == "all" else step.tests.split():
                    actions.set_control(tx, who, test, step.state, step.title, now, step.analyzer)
            case "let controls speak":
                for test in step.tests.split():
                    qualityacts.take_back_state(tx, who, test, step.analyzer)
            case "define levels":
                controls.define(tx, self._controls, step, who, now)
            case "correct":
                for test in step.tests.split():
                    qualityacts.correct(
                        tx, self._controls, who, test, step.analyzer, step.title, now
                    )
            case "suspend":
                actions.suspend(tx, who.name, step.scope, step.subject, step.title, now)
            case "resume":
                for row in tx.suspensions():
                    actions.resume(tx, who.name, row.id)
            case "release" | "reject":
                self._settle(tx, step, who)

    def _settle(self, tx: Transaction, step: Act, who: Person) -> None:
        case = tx.case_by_specimen(step.specimen)
        if case is None:
            raise VerifierError(f"step {step.key}: there is no specimen {step.specimen}")
        decided = case.decision.results if case.decision else ()
        chosen = step.tests.split()
        places = [
            result.entry
            for result in decided
            if case.record.entries[result.entry].state == "open"
            and (result.test in chosen or not chosen)
        ]
        settle = actions.release if step.do == "release" else actions.reject
        settle(tx, self._judge, who, case.id, places, step.title, clock.now())


FACILITY = "FERNMOOR"


def _person(tx: Transaction, name: str) -> Person:
    person = tx.person(name)
    if person is None:
        raise VerifierError(f"there is no account {name}")
    return person


def _cases(reader: Reader, specimen: str, patient: str) -> list[StoredCase]:
    if not specimen:
        return reader.cases_of_patient(f"{FACILITY}^MR^{patient}")
    case = reader.case_by_specimen(specimen)
    return [case] if case else []
