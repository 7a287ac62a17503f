#!/usr/bin/env python3
"""Recomputes the bound of a certificate from the instance and the prices alone, in exact integers.

    recompute_bound.py INSTANCE CERTIFICATE [OBJECTIVE]

Written apart from the program, for reading and not for speed; prices are thousandths of a cent. Prints the bound in
cents: of prices alone rounded down; by cases the least of the cases, each rounded up because plans cost whole cents, and
at most OBJECTIVE where that is given. Standard library only."""
import json, sys

inst, whole_certificate = (json.load(open(path, encoding="utf-8")) for path in sys.argv[1:3])
D, WEEK = inst["days"], inst["weeks"]
OPEN = [d for d in range(D) if inst["open"][d]]
skills = {s["id"]: s for s in inst["skills"]}; bays = {b["id"]: b for b in inst["bays"]}
pools = {p["id"]: p for p in inst["pools"]}; visits = {v["id"]: v for v in inst["visits"]}
kits = {k["id"]: sorted({0} | {d for d, _ in k["receipts"]}) for k in inst["kits"]}
received = {k["id"]: {d: sum(q for at, q in k["receipts"] if at <= d) for d in kits[k["id"]]} for k in inst["kits"]}
NEVER = 10 ** 30


def stretches(kit, day):
    """The kit's stretches that end on or after `day`, by their first day."""
    days = kits[kit]
    return [d for d, next_ in zip(days, days[1:] + [D]) if next_ > day]


def stay(day, length):
    days = [d for d in OPEN if d >= day][:length]
    return days if len(days) == length else None


def fits_alone(mode, days):
    """Whether a stay fits the empty workshop."""
    week = {}
    for s, minutes in mode["minutes"].items():
        for d, m in zip(days, minutes):
            if m > skills[s]["day_minutes"][d]: return False
            week[s, WEEK[d]] = week.get((s, WEEK[d]), 0) + m
    if any(m > skills[s]["week_minutes"][w] + skills[s]["week_overtime"][w] for (s, w), m in week.items()): return False
    if any(bays[mode["bay"]]["count"][d] < 1 for d in days): return False
    return all(received[k][d] >= q for k, q in mode["kits"].items() if q for d in stretches(k, days[0]))


def starts(visit):
    """Every (mode, days) the visit's own dates and the empty workshop allow."""
    for mode in visit["modes"]:
        for day in OPEN:
            days = stay(day, mode["length"])
            if days is None or day < visit["release"]: continue
            if visit["deadline"] is not None and days[-1] > visit["deadline"]: continue
            if visit["locked"] and day != visit["published_day"]: continue
            if fits_alone(mode, days): yield mode, days


STARTS = {v["id"]: list(starts(v)) for v in inst["visits"]}
leader, followers = {}, {v: [] for v in visits}
for v in inst["visits"]:
    if not v["after"]: continue
    ahead = v["after"][0]["visit"]; gap = max(a["gap"] for a in v["after"] if a["visit"] == ahead)
    if visits[ahead]["engine"] == v["engine"]: gap = max(1, gap)
    leader[v["id"]] = ahead; followers[ahead].append((v["id"], gap))


def bound_thousandths(cert, answers):
    """What the prices prove of the plans that give `answers`: [(visit, question, yes or no)]."""
    piece_price = {k: dict(rows) for k, rows in cert["kit_receipt"].items()}
    patterns = cert.get("patterns") or {"whole_skills": [], "worth": {}}
    CUTS = [(c["pool"], set(c["days"]), set(c["visits"]), c["price"]) for c in cert.get("cuts", ())]
    WHOLE, DAYS, WORTH = set(patterns["whole_skills"]), set(patterns.get("whole_days", ())), patterns["worth"]
    SECONDARY = {(x["visit"], x["mode"], x["skill"], x["at"]): dict(x["starts"]) for x in patterns.get("secondary", ())}
    must = {id_ for id_, v in visits.items() if v["locked"]} | {id_ for id_, _, yes in answers if yes}
    known = {}

    def allowed(id_, mode, day):
        """Whether a start gives the answers."""
        for visit, at, yes in answers:
            if visit == id_ and (day >= at["from"] if "from" in at else mode["id"] == at["mode"]) != yes: return False
        return True

    def main_minutes(visit, mode):
        """(skill, place in the stay) of the minutes a whole skill's weeks or days account for, or None."""
        found = None
        if visit["after"]: return None
        for s in sorted(mode["minutes"]):
            for at, m in enumerate(mode["minutes"][s]):
                if s not in WHOLE | DAYS or m <= 0: continue
                if found is None or (s in WHOLE, m) >= (found[0] in WHOLE, mode["minutes"][found[0]][found[1]]): found = s, at
        return found

    def minutes_value(visit, mode, days, skill, at, minutes):
        """What a stay pays for minutes: by day and week; or, of a whole skill, their own price unless they are the main
        ones, and where its days alone are whole the week's price as well."""
        day, week = cert["skill_day"][skill][days[at]], cert["skill_week"][skill][WEEK[days[at]]]
        if skill not in WHOLE | DAYS: return minutes * (day + week)
        own = 0 if (skill, at) == main_minutes(visit, mode) else secondary_price(visit, mode, days, skill, at)
        return own + (minutes * week if skill in DAYS else 0)

    def secondary_price(visit, mode, days, skill, at): return SECONDARY[visit["id"], mode["id"], skill, at][days[0]]

    def own_value(visit, mode, days):
        """Cost and priced use."""
        pool, day = pools[visit["pool"]], days[0]
        out = range(days[0], days[-1] + 1) if mode.get("out", True) else ()
        cents = mode["cost"] + sum(pool["out_cost"][d] for d in out if pool.get("out_cost"))
        cents += sum(before * max(0, at - day) + after * max(0, day - at) for at, before, after in visit["hinges"])
        if visit["published_day"] not in (None, day): cents += visit["move_cost"]
        value = 1000 * cents + sum(cert["pool_day"][visit["pool"]][d] for d in out)
        for s, minutes in mode["minutes"].items():
            value += sum(minutes_value(visit, mode, days, s, at, m) for at, m in enumerate(minutes) if m > 0)
        value += sum(cert["bay_day"][mode["bay"]][d] for d in days)
        value += sum((len(of.intersection(out)) + (visit["id"] in listed)) // 2 * price for pool, of, listed, price in CUTS if pool == visit["pool"])
        return value + sum(q * piece_price[k][d] for k, q in mode["kits"].items() for d in stretches(k, day))

    gains = {}                                                        # (whole skill, day): [(minutes, gain)]

    def columns(id_):
        """[(first day, value)] of a visit with its followers' best answers; fills `gains` once."""
        if id_ in known: return known[id_]
        visit, found = visits[id_], []
        for mode, days in STARTS[id_]:
            if not allowed(id_, mode, days[0]): continue
            value = own_value(visit, mode, days) + sum(best(f, days[-1] + gap) for f, gap in followers[id_])
            main = main_minutes(visit, mode)
            for s, minutes in mode["minutes"].items():
                for at, (d, m) in enumerate(zip(days, minutes)):
                    if s in WHOLE | DAYS and m > 0 and (s, at) != main: gains.setdefault((s, d), []).append((m, secondary_price(visit, mode, days, s, at)))
            if main is not None and value < WORTH[id_]:
                gains.setdefault((main[0], days[main[1]]), []).append((mode["minutes"][main[0]][main[1]], WORTH[id_] - value))
                value = WORTH[id_]
            found.append((days[0], value))
        known[id_] = found
        return found

    def best(id_, earliest=None):
        """Least value of a visit, left out or starting on or after `earliest`; left out, its followers are free."""
        visit, options = visits[id_], []
        if id_ not in must:
            options.append(1000 * visit["unplanned_cost"] + sum(best(f) for f, _ in followers[id_]))
        options += [value for day, value in columns(id_) if earliest is None or day >= earliest]
        return min(options) if options else NEVER

    def day_gains(skill, d):
        """[(minutes, gain)]: the most a skill's day can gain within so many minutes, where more minutes gain more."""
        day, top, kept = {0: 0}, -1, []
        for minutes, gain in gains.get((skill, d), []):
            if gain <= 0: continue
            for used, sum_ in list(day.items()):
                if used + minutes <= skills[skill]["day_minutes"][d] and day.get(used + minutes, -1) < sum_ + gain: day[used + minutes] = sum_ + gain
        for used in sorted(day):
            if day[used] > top: top = day[used]; kept.append((used, top))
        return kept

    def week_gain(skill, week):
        """The most a whole skill's week can gain, over every reachable number of minutes."""
        limit = skills[skill]["week_minutes"][week] + skills[skill]["week_overtime"][week]
        reached = {0: 0}
        for d in (d for d in OPEN if WEEK[d] == week):
            joined = {}
            for a, x in reached.items():
                for b, y in day_gains(skill, d):
                    if a + b <= limit and joined.get(a + b, -1) < x + y: joined[a + b] = x + y
            reached = joined
        contract, price = skills[skill]["week_minutes"][week], 1000 * skills[skill]["overtime_cost"]
        return max(gain - price * max(0, used - contract) for used, gain in reached.items())

    total = sum(best(v) for v in visits if v not in leader)
    for s, skill in skills.items():
        for week in sorted(set(WEEK)):
            if s in WHOLE: total -= week_gain(s, week); continue
            price = cert["skill_week"][s][week]
            total -= price * skill["week_minutes"][week] + max(0, price - 1000 * skill["overtime_cost"]) * skill["week_overtime"][week]
        if s in DAYS: total -= sum(day_gains(s, d)[-1][1] for d in OPEN)
        elif s not in WHOLE: total -= sum(cert["skill_day"][s][d] * skill["day_minutes"][d] for d in OPEN)
    for b, bay in bays.items(): total -= sum(cert["bay_day"][b][d] * bay["count"][d] for d in OPEN)
    for k, rows in piece_price.items(): total -= sum(price * received[k][d] for d, price in rows.items())
    for p, pool in pools.items():
        prices = cert["pool_day"][p]
        short = [price + sum(cut for of, days, _, cut in CUTS if of == p and d in days) for d, price in enumerate(prices)]
        assert all(price <= 1000 * pool["shortfall_cost"] for price in short), "a pool's price above its shortfall"
        total -= sum(prices[d] * (pool["fleet"][d] - pool["minimum"][d]) for d in range(D))
    for p, days, listed, price in CUTS:
        assert price >= 0 and all(visits[v]["pool"] == p for v in listed)
        total -= price * ((sum(pools[p]["fleet"][d] - pools[p]["minimum"][d] for d in days) + len(listed)) // 2)
    assert all(price >= 0 for part in ("skill_day", "skill_week", "bay_day", "pool_day") for row in cert[part].values() for price in row)
    assert all(price >= 0 for rows in piece_price.values() for price in rows.values())
    return total


def cases(tree, answers):
    """What is proven of each case below, thousandths of a cent."""
    if "at" not in tree: return [bound_thousandths(tree, answers)]
    return [b for side in ("yes", "no") for b in cases(tree[side], answers + [(tree["visit"], tree["at"], side == "yes")])]


if "tree" in whole_certificate:
    bound = min(-(-b // 1000) for b in cases(whole_certificate["tree"], []))
    print(min(bound, int(sys.argv[3])) if len(sys.argv) > 3 else bound)
else: print(bound_thousandths(whole_certificate, []) // 1000)
