"""The slow work of this room."""

from analysis.jobs.kinds import does
from analysis.listening import preparing
from analysis.listening.planning import MAKE_COPY, MEASURE_PART

does(MAKE_COPY)(preparing.make_copy)
does(MEASURE_PART)(preparing.measure_part)
