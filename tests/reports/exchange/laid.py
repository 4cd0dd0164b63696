"""Folders with what a test lays into them, and what is told of them."""

from reports.exchange.folder import read_folder
from reports.exchange.problems import Problems

MATCHES = "match_ref,played_on\n"
CHECKS = "analysis_ref,rally,situation,check,met\n"
SITUATIONS = "analysis_ref,rally,situation,unit,area\n"
PLAYERS = "player_ref,given_name\n"
RALLIES = "match_ref,rally,start_s,end_s\n"
HEADERS = {"matches.csv": MATCHES, "situations.csv": SITUATIONS, "checks.csv": CHECKS}


def laid(folder, **files):
    """A folder with the needed files, header only, and others by name without ending; None takes one away."""
    for name, content in {**HEADERS, **{f"{name}.csv": content for name, content in files.items()}}.items():
        if content is not None:
            (folder / name).write_bytes(content if isinstance(content, bytes) else content.encode())
    return folder


def read(folder, **files):
    problems = Problems()
    return read_folder(laid(folder, **files), problems), problems


def told(problems):
    return [(problem.file, problem.line, problem.column, problem.value) for problem in problems]


def only(problems):
    (problem,) = problems
    assert problems.count == 1
    return problem


def rows_of(table):
    return [(line, *(row[name] for name in table.spec.names)) for line, row in table.rows()]
