// Keeps the list fresh without a reload: /events says that something changed, the page is fetched again, and only what
// differs is put in. A row that is as it was stays the same element; place, focus, what is unfolded and whatever is typed
// into a form stay in any case. Without this script the page is complete, only not live.
"use strict";

(() => {
  const status = document.getElementById("live");
  const words = new Intl.DateTimeFormat(document.documentElement.lang, { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
  const served = new Map();  // id of a row -> the row as the server wrote it
  let busy = false, again = false, fetched = Date.now(), shown = listed().innerHTML;

  function listed() { return document.getElementById("list"); }

  function learn(list) {
    served.clear();
    for (const row of list.querySelectorAll(".entry")) served.set(row.id, row.outerHTML);
  }

  function say(text, lost) {
    status.classList.toggle("lost", lost);
    if (status.textContent !== text) status.textContent = text;
  }

  function live() { say(status.dataset.live.replace("{time}", words.format(fetched)), false); }

  function lost() { say(status.dataset.lost.replace("{time}", words.format(fetched)), true); }

  function topmost() {
    for (const row of document.querySelectorAll(".entry")) {
      const box = row.getBoundingClientRect();
      if (box.bottom > 0 && box.height > 0) return { id: row.id, top: box.top };
    }
    return null;
  }

  function place(at) {
    if (!listed().contains(at)) return null;
    const marked = typeof at.selectionStart === "number" ? [at.selectionStart, at.selectionEnd] : null;
    let way = null;
    if (at.id) way = `#${CSS.escape(at.id)}`;
    else if (at.matches("summary")) way = `#${CSS.escape(at.parentElement.id)} > summary`;
    else if (at.getAttribute("href")) {
      const around = at.closest("[id]");
      way = `#${CSS.escape(around.id)} a[href="${CSS.escape(at.getAttribute("href"))}"]`;
    }
    return { at, way, marked };
  }

  function refocus(was) {
    if (!was) return;
    const to = was.at.isConnected ? was.at : was.way && document.querySelector(was.way);
    if (!to || document.activeElement === to) return;
    to.focus({ preventScroll: true });
    if (was.marked && to.setSelectionRange) to.setSelectionRange(...was.marked);
  }

  function typedInto(form) {
    return [...form.elements].some((each) => each.value !== each.defaultValue || each.checked !== each.defaultChecked);
  }

  function keepTyped(list, fresh) {
    for (const form of list.querySelectorAll("form[id]")) {
      if (!form.isConnected || !list.contains(form) || !typedInto(form)) continue;
      const same = fresh.querySelector(`#${CSS.escape(form.id)}`);
      if (same) { same.replaceWith(form); continue; }
      const row = fresh.querySelector(`#${CSS.escape(form.closest("[id^=infant-]").id)}`);
      const note = document.createElement("p");
      note.className = "notice warn kept";
      note.textContent = `${status.dataset.kept} ${form.getAttribute("aria-label")}`;
      (row || fresh).prepend(note, form);
    }
  }

  function put(fresh) {
    const list = listed(), anchor = topmost(), was = place(document.activeElement);
    const before = new Map(served), changed = [];
    learn(fresh);
    for (const part of list.querySelectorAll("details[id]")) {
      const same = fresh.querySelector(`#${CSS.escape(part.id)}`);
      if (same) same.open = part.open;
    }
    for (const row of fresh.querySelectorAll(".entry")) {
      const old = document.getElementById(row.id);
      if (old && before.get(row.id) === served.get(row.id)) row.replaceWith(old);
      else changed.push(row);
    }
    keepTyped(list, fresh);
    list.replaceWith(fresh);
    for (const row of changed) row.classList.add("changed");
    setTimeout(() => { for (const row of changed) row.classList.remove("changed"); }, 8000);
    const row = anchor && document.getElementById(anchor.id);
    if (row) window.scrollBy(0, row.getBoundingClientRect().top - anchor.top);
    refocus(was);
  }

  async function refresh() {
    if (busy) { again = true; return; }
    busy = true;
    try {
      const answer = await fetch(location.pathname + location.search, { credentials: "same-origin", cache: "no-store" });
      if (answer.redirected) { // nobody is signed in any more: what is shown goes as well
        location.reload();
        return;
      }
      if (!answer.ok) throw new Error(`status ${answer.status}`);
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const fresh = document.adoptNode(page.getElementById("list"));
      const html = fresh.innerHTML;
      if (html !== shown) {
        shown = html;
        put(fresh);
      }
      document.title = page.title;
      document.querySelector(".day").replaceWith(page.querySelector(".day"));
      fetched = Date.now();
      live();
    } catch {
      lost();
    } finally {
      busy = false;
      if (again) { again = false; refresh(); }
    }
  }

  learn(listed());
  // A list also changes when nothing arrives: at midnight. So it is fetched again every five minutes, and on return.
  const events = new EventSource("/events");
  events.addEventListener("changed", refresh);
  events.addEventListener("watched", refresh); // said once the service watches: what came before is fetched now
  events.addEventListener("error", lost);
  setInterval(refresh, 5 * 60 * 1000);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) refresh(); });
})();
