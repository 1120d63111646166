"""Runs one ingest, to be killed: `python ingest_until_killed.py JOB.json DESTINATION`.

Not a test: the test beside it starts this and kills it.
"""

import sys
from pathlib import Path

from mezzmark.engines.ingest import Pool, ingest_folder
from mezzmark.facts.jobs import IngestJob
from mezzmark.host_clock import read_clock_ns

if __name__ == "__main__":
    job = IngestJob.model_validate_json(Path(sys.argv[1]).read_text(encoding="utf-8"))
    pool = Pool(
        encoding=job.encoding,
        job_count=job.job_count,
        thread_count=job.thread_count,
        order=job.order,
    )
    ingest_folder(job.sources, Path(sys.argv[2]), pool, clock_ns=read_clock_ns, resume=True)
