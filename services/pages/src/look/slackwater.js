// What is better with script. Every page works without it.
"use strict";

// Hours from the board: a fall, or more than time allows, is asked about at once, before sending.
for (const board of document.querySelectorAll("ol.board")) {
  const hoursOf = (text) => {
    const clock = /^\s*(\d+):([0-5]?\d)\s*$/.exec(text);
    if (clock) return Number(clock[1]) + Number(clock[2]) / 60;
    const plain = text.trim().replace(",", ".");
    return /^\d+(\.\d*)?$/.test(plain) ? Number(plain) : NaN;
  };
  board.addEventListener("change", (event) => {
    const field = event.target;
    if (!field.dataset || field.dataset.last === undefined) return;
    const line = field.closest("li");
    const says = line.querySelector("[data-asks]");
    const shown = hoursOf(field.value);
    const last = Number(field.dataset.last);
    const most = Number(field.dataset.most);
    let words = "";
    if (field.value.trim() !== "" && Number.isNaN(shown)) {
      words = "Write hours like 123.4 or 123:24.";
    } else if (shown < last) {
      words = `Below ${field.dataset.lastShown}, shown before. A typing slip, or was the meter swapped?`;
    } else if (shown - last > most) {
      words = `${(shown - last).toFixed(1)} h more than last time is more than the days since allow.`;
    }
    says.textContent = words;
    field.setAttribute("aria-invalid", words === "" ? "false" : "true");
  });
}

// What is typed in a form marked data-kept outlives a closed tab and a lost connection; it is
// dropped when a page says that it was saved.
for (const saved of document.querySelectorAll("[data-saved]")) {
  try {
    localStorage.removeItem(`slackwater ${saved.dataset.saved}`);
  } catch {
    // Storage may be switched off.
  }
}
for (const form of document.querySelectorAll("form[data-kept]")) {
  const key = `slackwater ${form.dataset.kept}`;
  const fields = () => [...form.elements].filter((f) => f.name && f.type !== "hidden" && "value" in f && f.type !== "checkbox" && f.type !== "radio" && f.tagName !== "BUTTON");
  try {
    const kept = JSON.parse(localStorage.getItem(key) || "{}");
    for (const field of fields()) {
      if (field.value === "" && typeof kept[field.name] === "string") field.value = kept[field.name];
    }
    form.addEventListener("input", () => {
      const typed = {};
      for (const field of fields()) if (field.value !== "") typed[field.name] = field.value;
      localStorage.setItem(key, JSON.stringify(typed));
    });
  } catch {
    // Storage may be switched off; the form works as without script.
  }
}

// A filter answers as soon as a choice is confirmed: by pointer at once, by keyboard with Enter or the
// button. With the arrow keys a closed list changes at each press, and the page must not go away then.
// Only what asks: a form that changes something waits for its button.
for (const form of document.querySelectorAll("form.filter[method=get]")) {
  let key = "";
  let waits = false;
  form.addEventListener("pointerdown", () => { key = ""; });
  form.addEventListener("keydown", (event) => {
    if (event.target.tagName !== "SELECT") return;
    key = event.key;
    if (key !== "Enter" || !waits) return;
    event.preventDefault();
    form.requestSubmit();
  });
  form.addEventListener("change", (event) => {
    if (event.target.tagName !== "SELECT") return;
    if (key === "" || key === "Enter") form.requestSubmit();
    else waits = true;
  });
}

// The point on the curve of money against boat-days is moved by a slider; the field says the same.
for (const form of document.querySelectorAll("form.point[data-points]")) {
  const points = form.dataset.points.split(";").filter((text) => text.includes(":")).map((text) => text.split(":"));
  const box = form.querySelector("[data-slider]");
  const slider = box.querySelector("input");
  const says = box.querySelector("[role=status]");
  const budget = form.querySelector("#budget");
  if (points.length < 2) continue;
  const nearest = () => {
    const money = Number(budget.value.replace(",", "."));
    if (budget.value.trim() === "" || Number.isNaN(money)) return points.length - 1;
    const after = points.findIndex((point) => Number(point[0]) > money);
    return after < 0 ? points.length - 1 : Math.max(after - 1, 0);
  };
  const tell = () => {
    const [money, lost] = points[Number(slider.value)];
    says.textContent = `${money} leave ${lost} boat-days lost.`;
  };
  slider.max = String(points.length - 1);
  slider.value = String(nearest());
  box.hidden = false;
  tell();
  slider.addEventListener("input", () => {
    budget.value = points[Number(slider.value)][0];
    tell();
  });
  budget.addEventListener("input", () => {
    slider.value = String(nearest());
    tell();
  });
}

// A visit is dragged to another day of a week. Nothing is kept by that: the page of the visit opens and
// says what it would cost, as it does for whoever types the day.
for (const line of document.querySelectorAll("tr[data-visit]")) {
  line.draggable = true;
  line.addEventListener("dragstart", (event) => {
    event.dataTransfer.setData("text/plain", line.dataset.visit);
    event.dataTransfer.effectAllowed = "move";
  });
}
for (const week of document.querySelectorAll("table.days")) {
  const heads = [...week.querySelectorAll("thead tr:first-child th")];
  const dayAt = (cell) => heads[cell.cellIndex]?.dataset.day;
  const cellOf = (event) => event.target.closest("td.day, th.day");
  const clear = () => week.querySelectorAll(".dropped-on").forEach((cell) => cell.classList.remove("dropped-on"));
  week.addEventListener("dragover", (event) => {
    const cell = cellOf(event);
    clear();
    if (!cell || !dayAt(cell)) return;
    event.preventDefault();
    cell.classList.add("dropped-on");
  });
  week.addEventListener("dragleave", clear);
  week.addEventListener("drop", (event) => {
    const cell = cellOf(event);
    const visit = event.dataTransfer.getData("text/plain");
    clear();
    if (!cell || !dayAt(cell) || !visit.startsWith("/plans/visits/")) return;
    event.preventDefault();
    location.assign(`${visit}?on=${dayAt(cell)}`);
  });
}

// A plan in the making is looked at again until it is made.
const followed = document.querySelector("[data-follow]");
if (followed) {
  const look = async () => {
    try {
      const answer = await fetch(followed.dataset.follow, { cache: "no-store" });
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const next = page.querySelector("[data-follow]");
      if (!next || answer.redirected) {
        location.replace(answer.url);
        return;
      }
      followed.replaceChildren(...next.childNodes);
    } catch {
      // No connection: the next look may have one.
    }
    setTimeout(look, 1500);
  };
  setTimeout(look, 800);
}

// Print opens what is folded.
window.addEventListener("beforeprint", () => {
  for (const folded of document.querySelectorAll("details:not([open])")) {
    folded.dataset.foldedAgain = "";
    folded.open = true;
  }
});
window.addEventListener("afterprint", () => {
  for (const open of document.querySelectorAll("details[data-folded-again]")) {
    delete open.dataset.foldedAgain;
    open.open = false;
  }
});
