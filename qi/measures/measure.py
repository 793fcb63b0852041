"""What a measure is, and how it is asked."""

import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from qi.model.errors import NotMeasurable, UnknownWord
from qi.model.findings import Findings
from qi.model.number import Number, missing

Answer = Number | list[Number]


@dataclass(frozen=True)
class Measure:
    """One row of the list of measures.

    id and unit are final; label is what a person reads; compute is a function whose positional parameters are names of Findings
    and whose keyword-only parameters are definitions of the protocol; method is one sentence in which {name} stands for the
    definition in force; source is who defined it so. by_machine: also asked for manual and mechanical compressions apart.
    """

    id: str
    label: str
    unit: str
    compute: Callable[..., Answer]
    method: str
    source: str
    by_machine: bool = False

    @property
    def needs(self) -> tuple[str, ...]:
        """Names of the protocol's definitions that this measure uses."""
        return tuple(name for name, p in inspect.signature(self.compute).parameters.items() if p.kind is p.KEYWORD_ONLY)

    def ask(self, findings: Findings, definitions: Mapping[str, Any]) -> list[Number]:
        """Answer for one case; "this case cannot show it" is an answer.

        Raises: UnknownWord when the protocol lacks a definition that the measure uses.
        """
        if absent := [name for name in self.needs if name not in definitions]:
            raise UnknownWord(f"measure {self.id} needs a definition", absent[0], definitions)
        settings = {name: definitions[name] for name in self.needs}
        answers = self._answers(settings, {name: getattr(findings, name) for name in self._subjects})
        return [*answers, *self._by_machine(findings, settings)] if self.by_machine and findings.mechanical else answers

    def sentence(self, definitions: Mapping[str, Any]) -> str:
        """The method with the parameters in force."""
        return self.method.format(**definitions)

    @property
    def _subjects(self) -> tuple[str, ...]:
        return tuple(name for name, p in inspect.signature(self.compute).parameters.items() if p.kind is not p.KEYWORD_ONLY)

    def _answers(self, settings: Mapping[str, Any], subjects: Mapping[str, Any]) -> list[Number]:
        try:
            answer = self.compute(*subjects.values(), **settings)
        except NotMeasurable as why:
            answer = missing(why)
        return answer if isinstance(answer, list) else [answer]

    def _by_machine(self, findings: Findings, settings: Mapping[str, Any]) -> list[Number]:
        parts = {"manual": findings.arrest.minus(findings.mechanical), "mechanical": findings.arrest.overlap(findings.mechanical)}
        subjects = {name: getattr(findings, name) for name in self._subjects}
        return [replace(self._answers(settings, {**subjects, "arrest": part})[0], of=of) for of, part in parts.items() if part]
