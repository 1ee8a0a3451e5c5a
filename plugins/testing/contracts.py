"""The contracts as pytest classes: inherit one, give it an `instrument` fixture, and every promise is a test."""

from __future__ import annotations

from typing import Any

import pytest

from .checking import Check, CheckFailedError, NotSupportedError, promise
from .digitiser import DIGITISER
from .estimator import ESTIMATOR
from .meter import METER
from .pattern import PATTERN


class _Promises:
    def keeps(self, check: Check, tested: Any) -> None:
        """Fail the test with what was seen instead; skip what the tested thing does not have."""
        try:
            check(tested)
        except NotSupportedError as exc:
            pytest.skip(str(exc))
        except CheckFailedError as exc:
            pytest.fail(f"{promise(check)}: {exc}")


class _Contract(_Promises):
    """Base: `instrument` is an opened driver; it is closed by the fixture that opened it."""

    @pytest.fixture
    def instrument(self) -> Any:
        """Give an opened driver here."""
        raise NotImplementedError("override the `instrument` fixture: yield an opened driver, and close it afterwards")

    def test_closing_twice_is_harmless(self, instrument: Any) -> None:
        """It can be closed twice."""
        instrument.close()
        instrument.close()


class DigitiserContract(_Contract):
    """For drivers of the digitiser role."""

    @pytest.mark.parametrize("check", DIGITISER, ids=promise)
    def test_digitiser_keeps_its_promise(self, check: Check, instrument: Any) -> None:
        """See `greystep.plugins.testing.digitiser`."""
        self.keeps(check, instrument)


class PatternContract(_Contract):
    """For drivers of the pattern role."""

    @pytest.mark.parametrize("check", PATTERN, ids=promise)
    def test_pattern_source_keeps_its_promise(self, check: Check, instrument: Any) -> None:
        """See `greystep.plugins.testing.pattern`."""
        self.keeps(check, instrument)


class MeterContract(_Contract):
    """For drivers of the luminance, power and temperature roles."""

    @pytest.mark.parametrize("check", METER, ids=promise)
    def test_meter_keeps_its_promise(self, check: Check, instrument: Any) -> None:
        """See `greystep.plugins.testing.meter`."""
        self.keeps(check, instrument)


class EstimatorContract(_Promises):
    """For estimators."""

    @pytest.fixture
    def estimator(self) -> Any:
        """Give an estimator here."""
        raise NotImplementedError("override the `estimator` fixture: return an estimator")

    @pytest.mark.parametrize("check", ESTIMATOR, ids=promise)
    def test_estimator_keeps_its_promise(self, check: Check, estimator: Any) -> None:
        """See `greystep.plugins.testing.estimator`."""
        self.keeps(check, estimator)
