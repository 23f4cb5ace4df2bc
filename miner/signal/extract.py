"""Volts to pulses, section by section.

A recording is streamed once, in order; each section is worked on by its own `SectionWork`, which sees its margins too.
A section extracted alone gives the same rows, byte for byte.

Usage
-----
>>> profiles = profile_leads(recording, leads)  # doctest: +SKIP
>>> extraction = extract_pulses(recording, leads, profiles)  # doctest: +SKIP
>>> extraction.pulses.num_rows  # doctest: +SKIP
7200
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor

import numba

from miner.recording.chunks import Chunk, iter_chunks
from miner.recording.progress import OnProgress, Progress
from miner.recording.reader import Recording
from miner.signal.extraction import Extraction, join_extractions
from miner.signal.leads import LeadProfile, LeadSpec
from miner.signal.sections import Section, plan_sections
from miner.signal.work import SectionWork

__all__ = ["extract_pulses", "extract_section", "iter_extractions", "plan_sections"]


def extract_pulses(
    recording: Recording,
    leads: Sequence[LeadSpec],
    profiles: Mapping[int, LeadProfile],
    *,
    sections: Sequence[Section] | None = None,
    on_progress: OnProgress | None = None,
) -> Extraction:
    """Extract the pulses of all leads in one pass over the recording; see `iter_extractions`."""
    return join_extractions(
        list(iter_extractions(recording, leads, profiles, sections=sections, on_progress=on_progress))
    )


def iter_extractions(
    recording: Recording,
    leads: Sequence[LeadSpec],
    profiles: Mapping[int, LeadProfile],
    *,
    sections: Sequence[Section] | None = None,
    on_progress: OnProgress | None = None,
) -> Iterator[Extraction]:
    """Extract the pulses of all leads in one pass over the recording, and hand out section after section.

    Parameters
    ----------
    recording : Recording
        As opened.
    leads : sequence of LeadSpec
        Every lead of the setup; command and feedback become pulses, supply, ground and coil_current are taken over
        them, all get an envelope.
    profiles : mapping of int to LeadProfile
        From `miner.signal.looks.profile.profile_leads`.
    sections : sequence of Section, optional
        Successive sections to extract; all of them by default.
    on_progress : callable, optional
        Called with a `Progress` after every chunk.

    Raises
    ------
    RecordingError
        As `miner.recording.chunks.iter_chunks`.
    """
    waiting = list(sections if sections is not None else plan_sections(recording))
    columns = [lead.column for lead in leads]
    active: list[SectionWork] = []
    n_before = 0
    with ThreadPoolExecutor(numba.config.NUMBA_NUM_THREADS, thread_name_prefix="pulses") as pool:
        chunks = iter_chunks(recording, columns, start=waiting[0].read_start, stop=waiting[-1].read_stop)
        for chunk in chunks:
            while waiting and waiting[0].read_start < chunk.stop:
                active.append(SectionWork(recording, waiting.pop(0), leads, profiles, pool))
            for work in active:
                work.feed(chunk)
            while active and active[0].is_done:
                n_before += active[0].n_pulses
                yield active.pop(0).finish()
            _tell(on_progress, recording, chunk, n_before + sum(work.n_pulses for work in active))
            if not (active or waiting):
                break
        for work in active:
            yield work.finish()


def extract_section(
    recording: Recording,
    section: Section,
    leads: Sequence[LeadSpec],
    profiles: Mapping[int, LeadProfile],
    on_progress: OnProgress | None = None,
) -> Extraction:
    """Extract one section alone; see `extract_pulses`."""
    return extract_pulses(recording, leads, profiles, sections=[section], on_progress=on_progress)


def _tell(on_progress: OnProgress | None, recording: Recording, chunk: Chunk, n_events: int) -> None:
    if on_progress is not None:
        on_progress(
            Progress(
                samples_done=chunk.stop,
                samples_total=recording.n_samples,
                recorded_s=chunk.stop / recording.rate_hz,
                n_events=n_events,
            )
        )
