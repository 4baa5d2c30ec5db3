// A sheet to type into, with a script: the drawing is tapped and redrawn, what follows is asked for while one types, and
// a lost connection loses nothing. Without this script the sheet is complete: it is sent, shown, and sent again to save.
//
// What is typed is kept in sessionStorage: it lasts through a reload or a crash of this tab, nobody sees it in another
// window of a shared computer, and it goes with the window, unless the browser opens the same window again. It is thrown
// away on saving, on cancelling, on signing out, when somebody else is signed in, and after a day.
"use strict";

document.documentElement.classList.add("script");

document.addEventListener("DOMContentLoaded", () => {
  const form = document.getElementById("sheet");
  const part = (id) => document.getElementById(id);
  const now = part("now"), show = part("show"), panel = part("live-answer");
  const save = button({ id: "save", className: "act main", name: "do", value: "save", disabled: true }, show.dataset.save);
  const again = button({ id: "retry", className: "act", type: "button", hidden: true }, show.dataset.again);
  show.after(save, again);
  const DRAFT = "draft:", DAY = 24 * 60 * 60 * 1000, PATIENCE = 15000;
  const key = DRAFT + form.dataset.draft;

  function button(properties, words) {
    const made = Object.assign(document.createElement("button"), properties);
    made.textContent = words;
    return made;
  }

  // --- the drawing ---------------------------------------------------------------------------------------------------

  const SHOWN = ["view", "zone", "vascularization", "stage", "plus", "aggressive", "regression", "reactivation"];
  const DISC = 12, ORA = 135; // as in retina.py
  const controls = (name) => [...form.elements].filter((each) => each.name === name);

  function value(name) {
    for (const each of controls(name)) {
      if (each.type !== "radio" && each.type !== "checkbox") return each.value.trim();
      if (each.checked) return each.value;
    }
    return "";
  }

  function redraw(svg) {
    const same = svg.dataset.side === "left" && value("left.same");
    const side = same ? "right" : svg.dataset.side;
    for (const name of SHOWN) svg.setAttribute(`data-${name}`, value(`${side}.${name}`));
    const boxes = same ? [] : controls(`${side}.clock_positions`);
    const hours = new Set(boxes.filter((each) => each.checked).map((each) => each.value));
    svg.setAttribute("data-hours", hours.size || "");
    for (const group of svg.querySelectorAll("g[data-hour]")) {
      group.setAttribute("class", hours.has(group.dataset.hour) ? "hour on" : "hour");
    }
    for (const path of svg.querySelectorAll("path[data-hour]")) {
      path.setAttribute("class", hours.has(path.dataset.hour) ? "on" : "off");
    }
    const typed = value(`${side}.avascular_extent`).replace(",", ".");
    const extent = typed === "" ? 0 : Number(typed);
    const width = Number.isFinite(extent) ? +Math.min(Math.max(extent, 0) * DISC, ORA).toFixed(2) : 0;
    const band = svg.querySelector(".band");
    band.setAttribute("stroke-width", width);
    band.setAttribute("r", +(ORA - width / 2).toFixed(2));
  }

  // A browser writes dates its own way, 06/01 or 01/06: the day stands in words beside it.
  const words = new Intl.DateTimeFormat(document.documentElement.lang, { weekday: "short", day: "numeric", month: "long", year: "numeric", timeZone: "UTC" });
  const inWords = (day) => {
    const parts = Object.fromEntries(words.formatToParts(day).map(({ type, value }) => [type, value]));
    return `${parts.weekday} ${parts.day} ${parts.month} ${parts.year}`;
  };
  const days = [...form.querySelectorAll("input[type=date]")].map((input) => {
    const line = Object.assign(document.createElement("p"), { className: "hint in-words" });
    input.before(line);
    return [input, line];
  });

  function redrawAll() {
    form.querySelectorAll(".retina.tap").forEach(redraw);
    for (const [input, line] of days) line.textContent = input.value ? inWords(input.valueAsDate) : "";
  }

  function changed(control) { control.dispatchEvent(new Event("input", { bubbles: true })); }

  function tap(event) {
    const svg = event.currentTarget, side = svg.dataset.side;
    const hour = event.target.closest("g[data-hour]"), field = event.target.closest("[data-pick]");
    if (hour) {
      const box = controls(`${side}.clock_positions`).find((each) => each.value === hour.dataset.hour);
      box.checked = !box.checked;
      changed(box);
    } else if (field) {
      const zones = controls(`${side}.zone`);
      const chosen = zones.find((each) => each.value === field.dataset.pick);
      const next = chosen.checked ? zones.find((each) => each.value === "") : chosen;
      next.checked = true;
      changed(next);
    }
  }

  for (const svg of form.querySelectorAll(".retina.tap")) svg.addEventListener("click", tap);

  // --- filling in ----------------------------------------------------------------------------------------------------

  function fill(control, values) {
    if (control.type === "radio" || control.type === "checkbox") control.checked = values.includes(control.value);
    else control.value = values[0] ?? "";
  }

  function takeOver(button) {
    const side = button.dataset.eye, typed = JSON.parse(button.dataset.typed);
    for (const each of form.elements) {
      const [eye, name] = each.name?.split(".") ?? [];
      if (eye !== side || name === "view" || name === "note") continue;
      fill(each, typed[name] ?? (each.type === "radio" ? [""] : []));
    }
    changed(button);
  }

  // --- the draft -----------------------------------------------------------------------------------------------------

  const WAY = ["shown", "basis", "do"];

  function typed() { return [...new FormData(form)].filter(([name]) => !WAY.includes(name)); }

  function drafts() { return Object.keys(sessionStorage).filter((each) => each.startsWith(DRAFT)); }

  function read(name) {
    try { return JSON.parse(sessionStorage.getItem(name)); } catch { return null; }
  }

  function keep() {
    try {
      sessionStorage.setItem(key, JSON.stringify({ mark: form.dataset.mark, at: Date.now(), typed: typed() }));
      return true;
    } catch { return false; }
  }

  function forget() {
    const id = value("id");
    for (const each of drafts()) {
      const draft = read(each);
      if (each === key || draft?.typed.some(([name, said]) => name === "id" && said === id)) sessionStorage.removeItem(each);
    }
  }

  function sweep(all) {
    for (const each of drafts()) {
      const draft = read(each);
      const good = draft && draft.mark === form.dataset.mark && Date.now() - draft.at < DAY;
      if (all || !good) sessionStorage.removeItem(each);
    }
  }

  function restore() {
    const draft = read(key);
    if (!draft || JSON.stringify(draft.typed) === JSON.stringify(typed())) return false;
    const said = new Map();
    for (const [name, text] of draft.typed) said.set(name, [...(said.get(name) ?? []), text]);
    for (const each of form.elements) if (each.name && !WAY.includes(each.name)) fill(each, said.get(each.name) ?? []);
    for (const fold of form.querySelectorAll("details")) {
      if ([...fold.querySelectorAll("input")].some((each) => said.get(each.name)?.[0])) fold.open = true;
    }
    part("draft").hidden = false;
    return true;
  }

  // --- what follows --------------------------------------------------------------------------------------------------

  let asking = null, timer = 0, retrying = 0, wait = 0, pressed = false, current = false;

  function say(...words) {
    now.classList.remove("bad", "clock");
    now.replaceChildren(...words);
  }

  function stale() {
    clearTimeout(timer);
    clearTimeout(retrying);
    asking?.abort();
    current = pressed = false;
    save.disabled = true;
    again.hidden = true;
    form.elements.shown.value = "";
    part("answer")?.remove();
  }

  function body(what) {
    const data = new URLSearchParams(new FormData(form));
    data.delete("do");
    data.set("do", what);
    return data;
  }

  async function send(what) {
    asking = new AbortController();
    const mine = asking, late = setTimeout(() => mine.abort("late"), PATIENCE);
    try {
      const answer = await fetch(form.action, {
        method: "POST", body: body(what), signal: mine.signal, keepalive: what === "save", credentials: "same-origin", cache: "no-store",
      });
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      return { answer, page };
    } catch {
      return mine.signal.aborted && mine.signal.reason !== "late" ? { over: true } : { lost: true };
    } finally {
      clearTimeout(late);
    }
  }

  // Why an answer is none: "" where it is one.
  function trouble({ answer, lost }) {
    if (lost) return "lost";
    if (answer.status >= 500 || answer.status === 429) return "broken";
    if (answer.status === 401 || answer.status === 403) return "stranger";
    return answer.redirected && !new URL(answer.url).searchParams.has("saved") ? "stranger" : "";
  }

  function failed(why) {
    say(now.dataset[why]);
    now.classList.add("bad");
    again.hidden = false;
    save.disabled = !pressed;
    wait = Math.min(wait ? wait * 2 : 5000, 60000);
    clearTimeout(retrying);
    if (why !== "stranger") retrying = setTimeout(retry, wait);
  }

  function retry() {
    clearTimeout(retrying);
    if (again.hidden) return;
    again.hidden = true;
    if (pressed) store(); else ask();
  }

  // The names of the places that a page complains of, in the order in which they stand.
  function namesOf(ids) {
    const labels = [...form.querySelectorAll("legend, label[for]")];
    const named = labels.filter((each) => ids.includes(each.htmlFor || each.parentElement.id));
    return named.map((each) => each.firstChild.textContent.trim()).join(", ");
  }

  function put(page) {
    const fresh = page.getElementById("answer"), note = page.getElementById("note");
    const ready = fresh.querySelector("button[value=save]") !== null;
    fresh.querySelectorAll("h2, .acts").forEach((each) => each.remove());
    part("live-words").replaceChildren(...(note ? [note] : []), ...fresh.childNodes);
    note?.removeAttribute("id");
    note?.removeAttribute("role");
    panel.hidden = false;
    form.querySelectorAll(".wrong").forEach((each) => { if (!panel.contains(each)) each.remove(); });
    form.querySelectorAll("[aria-invalid]").forEach((each) => each.removeAttribute("aria-invalid"));
    document.querySelector(".problems")?.remove();
    form.elements.shown.value = page.querySelector("input[name=shown]").value;
    const basis = page.querySelector("input[name=basis]");
    if (basis) form.elements.basis.value = basis.value;
    current = ready;
    save.disabled = !ready;
    if (!ready) { say(now.dataset.refused); now.classList.add("bad"); return; }
    const lines = [];
    for (const step of panel.querySelectorAll(".then > li")) {
      const line = document.createElement("span"), task = document.createElement("strong");
      task.textContent = step.querySelector(".task").textContent;
      line.append(task, " ", step.querySelector(".dates").firstChild.textContent.trim());
      if (lines.length) lines.push(" · ");
      lines.push(line);
    }
    say(...(lines.length ? lines : [panel.querySelector(".task")?.textContent ?? ""]));
    now.classList.toggle("clock", panel.querySelector(".then .clock") !== null);
  }

  // Ask what would follow. "ready" when it is there to be saved; "" when nobody answered; else the page that says why not.
  async function ask() {
    const came = await send("show");
    if (came.over) return "";
    const why = trouble(came);
    if (why) { failed(why); return ""; }
    wait = 0;
    const { answer, page } = came;
    if (answer.redirected) { saved(answer.url); return ""; } // it had been saved, and the answer was lost
    if (answer.ok && page.getElementById("answer")) { put(page); return current ? "ready" : "refused"; }
    panel.hidden = true;
    const named = namesOf([...page.querySelectorAll(".problems a")].map((each) => each.hash.slice(1)));
    say(named ? `${now.dataset.incomplete} ${named}` : page.getElementById("note")?.textContent ?? now.dataset.refused);
    return "no";
  }

  async function store() {
    pressed = true;
    save.disabled = true;
    say(now.dataset.saving);
    const came = await send("save");
    if (came.over) return;
    const why = trouble(came);
    if (why) { failed(why); return; }
    if (came.answer.redirected) saved(came.answer.url); else sendPlainly("save");
  }

  function saved(address) {
    forget();
    location.assign(address);
  }

  // Let the service answer with a whole page: it says what is wrong beside each field.
  function sendPlainly(what) {
    const input = document.createElement("input");
    Object.assign(input, { type: "hidden", name: "do", value: what });
    form.append(input);
    form.submit();
  }

  // --- what the person does ------------------------------------------------------------------------------------------

  form.addEventListener("input", () => {
    stale();
    redrawAll();
    say(keep() ? now.dataset.waiting : now.dataset.unkept);
    timer = setTimeout(ask, 500);
  });

  form.addEventListener("submit", async (event) => {
    const wanted = event.submitter?.value ?? "show";
    event.preventDefault();
    if (wanted.startsWith("last.")) { takeOver(event.submitter); return; }
    if (wanted === "save") { store(); return; }
    clearTimeout(timer);
    if (!current) {
      asking?.abort();
      keep();
      say(now.dataset.waiting);
      const came = await ask();
      if (came === "no") { sendPlainly("show"); return; }
      if (!came) return;
    }
    part("live-follows").focus({ preventScroll: true });
    panel.scrollIntoView({ block: "start" });
  });

  again.addEventListener("click", retry);
  addEventListener("online", retry);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) retry(); });
  part("cancel").addEventListener("click", forget);
  part("forget").addEventListener("click", () => { forget(); location.assign(location.pathname); });
  document.addEventListener("submit", (event) => {
    if (new URL(event.target.action).pathname.startsWith("/sign-out")) sweep(true);
  });

  sweep(false);
  const brought = restore();
  redrawAll();
  if (brought) { keep(); ask(); } else if (part("answer")?.querySelector("button[value=save]")) { current = true; save.disabled = false; }
});
