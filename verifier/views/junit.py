"""Results as JUnit XML, so that a CI system shows each property as a test.

JUnit XML is a form in common use without a published standard; ``junitparser`` writes it. A property that
is violated, and a scenario that is impossible, is a failure; what was not decided, is vacuous or could not
be judged is an error. Nothing is ever written as skipped: skipped tests read as passes.
"""

from __future__ import annotations

from junitparser import Error, Failure, JUnitXml, TestCase, TestSuite

from verifier.evidence.result import ModelResult, Result
from verifier.language.model import Model
from verifier.views.document import Refused, Report
from verifier.views.text import result_lines

PASSES = ("proved", "shown")
FAILURES = ("violated", "impossible")


def junit_text(report: Report) -> str:
    """The whole report as one XML document, one suite a model."""
    xml = JUnitXml("strikein")
    for outcome in report.outcomes:
        xml.add_testsuite(_suite(outcome))
    for refused in report.refused:
        xml.add_testsuite(_refused_suite(refused))
    return xml.tostring().decode() + "\n"


def _suite(outcome: ModelResult) -> TestSuite:
    suite = TestSuite(outcome.model.path)
    suite.add_testcases([_case(outcome.model, result) for result in outcome.results])
    return suite


def _case(model: Model, result: Result) -> TestCase:
    case = TestCase(result.property.id, model.path, round(result.seconds, 3))
    if result.verdict in PASSES:
        return case
    kind = Failure if result.verdict in FAILURES else Error
    entry = kind(f"{result.verdict}: {result.property.says}", result.verdict)
    entry.text = "\n".join(result_lines(model, result))
    case.result = [entry]
    return case


def _refused_suite(refused: Refused) -> TestSuite:
    suite = TestSuite(refused.path)
    case = TestCase("the model is judged", refused.path, 0.0)
    entry = Error(refused.what, "defect of strikein" if refused.is_defect else "input")
    entry.text = "\n".join(refused.details)
    case.result = [entry]
    suite.add_testcases([case])
    return suite


