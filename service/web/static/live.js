// Keeps the list fresh without a reload: /events says that something changed, the page is fetched again, and only the
// list is put in. Scroll, focus and unfolded parts stay. Without this script the page is complete, only not live.
"use strict";

(() => {
  const status = document.getElementById("live");
  const words = new Intl.DateTimeFormat("en", { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
  let busy = false, again = false, fetched = Date.now(), shown = document.getElementById("list").innerHTML;

  function say(text, lost) {
    status.classList.toggle("lost", lost);
    if (status.textContent !== text) status.textContent = text;
  }

  function live() { say(`Live. Last brought up to date at ${words.format(fetched)}.`, false); }

  function lost() {
    say(`Not live: no contact with the service since ${words.format(fetched)}. What is shown may be out of date.`, true);
  }

  function topmost() {
    for (const row of document.querySelectorAll(".entry")) {
      const box = row.getBoundingClientRect();
      if (box.bottom > 0 && box.height > 0) return { id: row.id, top: box.top };
    }
    return null;
  }

  function focused() {
    const at = document.activeElement;
    const list = document.getElementById("list");
    if (!list.contains(at)) return null;
    if (at.id) return `#${CSS.escape(at.id)}`;
    if (at.matches("summary")) return `#${CSS.escape(at.parentElement.id)} > summary`;
    const row = at.closest("[id]");
    const href = at.getAttribute("href");
    return href ? `#${CSS.escape(row.id)} a[href="${CSS.escape(href)}"]` : null;
  }

  function put(fresh) {
    const list = document.getElementById("list");
    const anchor = topmost(), focus = focused();
    const before = new Map([...list.querySelectorAll(".entry")].map((row) => [row.id, row.innerHTML]));
    const open = [...list.querySelectorAll("details[open]")].map((part) => part.id);
    for (const id of open) fresh.querySelector(`#${CSS.escape(id)}`)?.setAttribute("open", "");
    const changed = [...fresh.querySelectorAll(".entry")].filter((row) => before.get(row.id) !== row.innerHTML);
    list.replaceWith(fresh);
    for (const row of changed) row.classList.add("changed");
    setTimeout(() => { for (const row of changed) row.classList.remove("changed"); }, 8000);
    if (anchor) {
      const row = document.getElementById(anchor.id);
      if (row) window.scrollBy(0, row.getBoundingClientRect().top - anchor.top);
    }
    if (focus) document.querySelector(focus)?.focus({ preventScroll: true });
  }

  async function refresh() {
    if (busy) { again = true; return; }
    busy = true;
    try {
      const answer = await fetch(location.pathname, { credentials: "same-origin", cache: "no-store" });
      if (answer.redirected) { // nobody is signed in any more: what is shown goes as well
        location.reload();
        return;
      }
      if (!answer.ok) throw new Error(`status ${answer.status}`);
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const fresh = page.getElementById("list");
      if (fresh.innerHTML !== shown) {
        shown = fresh.innerHTML;
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

  // A list also changes when nothing arrives: at midnight. So it is fetched again every five minutes, and on return.
  const events = new EventSource("/events");
  events.addEventListener("changed", refresh);
  events.addEventListener("open", refresh);
  events.addEventListener("error", lost);
  setInterval(refresh, 5 * 60 * 1000);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) refresh(); });
})();
