"""A coverage-guided fuzzer on a reader of files or messages: the kinds of `mutated_files.py`.

    python tests/simulation/fuzzed_readers.py KIND [SECONDS [FOLDER]]

Needs atheris, which nothing else here does: make an environment with it and mezzmark for this.
Begins with the texts of that kind, and keeps what reaches new code; texts in JSON are also changed
part by part. Each new fault is printed with its input, and the fuzzer goes on; with a folder, from
what it has kept there.
"""

import base64
import os
import random
import sys
import tempfile
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).parents[1]))

with atheris.instrument_imports(include=["mezzmark", "tomllib"]):
    from fixtures.mutation import mutate_tree
    from simulation.mutated_files import LIMIT_BYTES, attack, readers

LONGEST_BYTES = 60_000


def main() -> None:
    """Fuzz for so long; libFuzzer prints how many inputs it tried and what they reached."""
    kind, limit_s = sys.argv[1], int((*sys.argv, "600")[2])
    folder = Path(tempfile.mkdtemp(prefix=f"mezzmark-fuzz-{kind}-"))
    corpus = Path((*sys.argv, folder / "corpus")[3]).absolute()
    corpus.mkdir(parents=True, exist_ok=True)
    os.chdir(folder)
    reader = readers(folder)[kind]
    for number, text in enumerate(reader.sources):
        (corpus / str(number)).write_text(text)
    faults: set[str] = set()

    def try_one(data: bytes) -> None:
        outcome = attack(reader, data)
        place = outcome[-120:]
        if outcome not in ("read", "refused") and place not in faults:
            faults.add(place)
            print(f"FAULT {len(faults)}: {outcome}\n{base64.b64encode(data).decode()}", flush=True)

    def change(data: bytes, most: int, seed: int) -> bytes:
        rng = random.Random(seed)
        if reader.is_json and rng.randrange(2):
            try:
                return mutate_tree(data.decode(), rng)[:most]
            except (ValueError, RecursionError, TypeError):
                pass  # it is no JSON any more
        return bytes(atheris.Mutate(data, most))

    limits = [f"-max_total_time={limit_s}", f"-max_len={LONGEST_BYTES}", "-timeout=100"]
    limits += [f"-rss_limit_mb={LIMIT_BYTES >> 20}", "-print_final_stats=1", "-verbosity=1"]
    atheris.Setup([sys.argv[0], *limits, str(corpus)], try_one, custom_mutator=change)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
