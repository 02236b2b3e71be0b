"""The stage that puts single questions to an engine, as the second one is asked."""

from __future__ import annotations

from dataclasses import dataclass

import msgspec

from trapscan.job.stage import Fields, Stage
from trapscan.job.tools import Tools
from trapscan.job.work import Recorder
from trapscan.model import Evaluation, Query


@dataclass(frozen=True, slots=True)
class Question:
    """A task: one query."""

    query: Query

    @property
    def epd(self) -> str:
        """The position that it is about."""
        return self.query.epd

    def cache_key(self) -> Fields:
        """The query's own: the answer depends on nothing else."""
        return {"query": msgspec.to_builtins(self.query)}


def ask(tools: Tools, question: Question, recorder: Recorder) -> Evaluation:
    """Put one question to the engine of `tools`."""
    return recorder.evaluate(question.query)


QUESTIONS = Stage(
    "second",
    "questions to the second engine",
    ask,
    Evaluation,
    settings=(),
    code=("model.py", "score.py", "stopping.py", "job/work.py", "job/questions.py"),
)


__all__ = ["QUESTIONS", "Question", "ask"]
