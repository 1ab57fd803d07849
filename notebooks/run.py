"""Executes every notebook of this folder against one store; fails if a cell fails.

    python notebooks/run.py --store DIR

The notebooks themselves are left as they are: what they print goes to standard
output, and nothing is written back. Packages: requirements.txt beside this file.
"""

import argparse
import os
import sys
from pathlib import Path

import nbformat
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError

FOLDER = Path(__file__).resolve().parent
CELL_TIMEOUT_S = 300
START_TIMEOUT_S = 180


def texts(cell):
    """What a code cell printed or ended with, as plain text."""
    for output in cell.get("outputs", []):
        if output.output_type == "stream":
            yield output.text
        elif "data" in output:
            yield output.data.get("text/plain", "")


def run_notebook(path):
    """Executes one notebook; returns the error of its first failing cell, or None."""
    notebook = nbformat.read(path, as_version=4)
    for cell in notebook.cells:
        if cell.get("outputs") or cell.get("execution_count"):
            return f"{path.name} is committed with outputs; clear them"
    client = NotebookClient(
        notebook,
        timeout=CELL_TIMEOUT_S,
        kernel_name="python3",
        startup_timeout=START_TIMEOUT_S,
        resources={"metadata": {"path": str(FOLDER)}},
    )
    try:
        client.execute()
    except CellExecutionError as error:
        return str(error)
    finally:
        for cell in notebook.cells:
            for text in texts(cell):
                print(text.rstrip("\n"))
    return None


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--store", required=True, type=Path, help="folder of the store to read")
    store = parser.parse_args().store.resolve()
    if not store.is_dir():
        print(f"{store}: no such folder", file=sys.stderr)
        return 2
    os.environ["DRYDOWN_STORE"] = str(store)
    notebooks = sorted(FOLDER.glob("*.ipynb"))
    if not notebooks:
        print(f"{FOLDER}: found no notebook", file=sys.stderr)
        return 1
    failed = 0
    for path in notebooks:
        print(f"== {path.name}")
        error = run_notebook(path)
        if error is not None:
            failed += 1
            print(f"{path.name}: {error}", file=sys.stderr)
    print(f"{len(notebooks) - failed} of {len(notebooks)} notebooks ran through")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
