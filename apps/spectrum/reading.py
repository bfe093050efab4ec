"""What a worker does with a survey: read its file piece by piece, lay it on even steps, write what was understood."""

import codecs
import gzip
import logging
import zlib
from collections.abc import Iterator

import numpy as np

from apps.common.errors import Fault
from apps.radio.surveys import Reader, Trace, Unreadable, floor_dbm, trace
from apps.spectrum import surveys
from apps.spectrum.models import Survey, SurveyPiece, SurveyTrace

log = logging.getLogger(__name__)


def read(survey_id: int, worker: str) -> None:
    """Carry one survey to its end. Returns quietly when it is not there to be taken, or was taken from us."""
    survey = surveys.claim(survey_id, worker)
    if survey is None:
        return
    try:
        _read(survey)
    except Unreadable as refusal:
        surveys.refuse(survey, [Fault(*fault) for fault in refusal.faults], refusal.count)
    except Exception as error:
        log.exception("survey %s of %s could not be read", survey.number, survey.event.slug)
        text = (
            f"The file met an error that nobody expected ({type(error).__name__}: {error}). It is kept; "
            "show this sentence to whoever runs the service."
        )
        surveys.refuse(survey, [Fault(0, "file", survey.name, text)], 1)


def _read(survey: Survey) -> None:
    reader = Reader(survey.unit_told)
    decoder = None
    done = 0
    for piece in pieces(survey):
        decoder = decoder or codecs.getincrementaldecoder(_encoding(piece))(errors="replace")
        reader.feed(decoder.decode(piece))
        done += len(piece)
        # The rest of the work, laying the points on even steps, is about a third.
        if not surveys.keep_alive(survey, 0.7 * done / max(1, survey.size), reader.points):
            return
    points = reader.finish()
    found = trace(points)
    surveys.finish(
        survey, zlib.compress(found.level_dbm.tobytes(), 6), points=len(points.hz), low_hz=found.low_hz,
        high_hz=int(points.hz.max()), step_hz=found.step_hz, unit=points.unit, unit_from=points.unit_from,
        separator=points.separator, header=points.header, floor_found_dbm=round(floor_dbm(found), 2),
    )  # fmt: skip


def pieces(survey: Survey) -> Iterator[bytes]:
    """The file as it was sent, a piece at a time."""
    numbers = list(SurveyPiece.objects.filter(survey=survey).order_by("number").values_list("pk", flat=True))
    for key in numbers:
        content = SurveyPiece.objects.values_list("content", flat=True).get(pk=key)
        yield gzip.decompress(bytes(content))


def trace_of(survey: Survey) -> Trace | None:
    """What a survey measured, on even steps; None where it could not be read (yet)."""
    content = SurveyTrace.objects.filter(survey=survey).values_list("content", flat=True).first()
    return None if content is None else opened(survey, bytes(content))


def opened(survey: Survey, content: bytes) -> Trace:
    """A kept trace as the radio model works with it."""
    assert survey.low_hz is not None and survey.step_hz is not None
    return Trace(survey.low_hz, survey.step_hz, np.frombuffer(zlib.decompress(content), np.float32))


def _encoding(beginning: bytes) -> str:
    if beginning.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    return "utf-8-sig"
