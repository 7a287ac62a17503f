#!/usr/bin/env python3
"""Our gap after a few seconds beside what two exact solvers hold after a minute, on the same machine.

    beside_solvers.py [--program FILE] [--theirs SECONDS] [--ours SECONDS] [INSTANCE ...]

Solves each instance (M and R-L unless said otherwise) with HiGHS and CP-SAT through
tests/data/planner/solve_ref.py, which models it as a time-indexed mixed-integer problem, then with
`slackwater plan`. Theirs counts the solver alone, without the building of its model; ours the whole
program, reading and writing included. Every plan is gone through by the outside checker. Ends with 1
where a solver's gap is not passed. Needs the program built and `pip install numpy highspy ortools`;
meant for a machine with nothing else to do.
"""
import argparse, gzip, json, os, subprocess, sys, tempfile, time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
DATA = ROOT / "tests/data/planner"
SOLVERS = ("highs", "cpsat")


def gap(objective, bound):
    return (objective - bound) / max(1, objective)


def checked(instance, plan):
    """Ends the run where the checker refuses a plan: a gap of such a plan says nothing."""
    done = subprocess.run([sys.executable, DATA / "check.py", instance, plan], capture_output=True, text=True)
    if done.returncode != 0:
        sys.exit(f"{plan}: the checker refuses it\n{done.stdout}{done.stderr}")


def theirs(instance, solver, seconds, folder):
    """Objective and bound that a solver ends with; no objective where it found no plan."""
    out = folder / f"{solver}.json"
    out.unlink(missing_ok=True)
    asked = [sys.executable, DATA / "solve_ref.py", instance, str(seconds), solver, out, f"threads={os.cpu_count()}"]
    done = subprocess.run(asked, capture_output=True, text=True)
    if done.returncode != 0:
        sys.exit(f"{solver}: {done.stdout}{done.stderr}")
    says = done.stdout.strip().splitlines()[-1]
    print(f"  {says}", flush=True)
    bound = float(says.split(" bound ")[1].split(",")[0])
    if not out.exists():
        return None, bound
    checked(instance, out)
    return json.loads(out.read_text())["objective"], bound


def ours(program, instance, seconds, folder):
    out = folder / "ours.json"
    # A tenth is left for reading, writing and the last step of the search.
    asked = [program, "plan", "--instance", instance, "--seconds", str(0.9 * seconds), "--out", out]
    began = time.monotonic()
    done = subprocess.run(asked, capture_output=True, text=True)
    spent = time.monotonic() - began
    if done.returncode != 0:
        sys.exit(f"slackwater: {done.stdout}{done.stderr}")
    checked(instance, out)
    plan = json.loads(out.read_text())
    return plan["objective"], plan["bound"], spent


def main():
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--program", default=ROOT / "target/debug/slackwater")
    asked.add_argument("--theirs", type=float, default=60.0, help="seconds of each solver")
    asked.add_argument("--ours", type=float, default=5.0, help="seconds of the whole of ours")
    asked.add_argument("instances", nargs="*", default=["M", "R-L"], metavar="INSTANCE")
    given = asked.parse_args()
    rows = []
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for name in given.instances:
            instance = folder / f"{name}.json"
            instance.write_bytes(gzip.decompress((DATA / f"instances/{name}.json.gz").read_bytes()))
            objective, bound, spent = ours(given.program, instance, given.ours, folder)
            own = gap(objective, bound)
            print(f"  {name} slackwater: {spent:.1f} s, bound {bound}, objective {objective}, gap {own:.4%}", flush=True)
            for solver in SOLVERS:
                best, below = theirs(instance, solver, given.theirs, folder)
                if best is not None and bound > best:
                    sys.exit(f"{name}: our bound {bound} stands above the plan of {solver}, {best}")
                held = None if best is None else gap(best, below)
                rows.append((name, solver, held, own, spent, spent <= given.ours and (held is None or own <= held)))
    print("instance  solver   gap held  ours    seconds  passed")
    for name, solver, held, own, spent, passed in rows:
        says = "no plan" if held is None else f"{held:.3%}"
        print(f"{name:<9} {solver:<7} {says:>9}  {own:.3%}  {spent:>7.1f}  {'yes' if passed else 'NO'}")
    return 0 if all(row[-1] for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
