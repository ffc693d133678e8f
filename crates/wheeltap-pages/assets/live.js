// Keeps the board up to date, and says so when it is not.
"use strict";
(() => {
  const board = document.getElementById("board");
  const fresh = document.getElementById("fresh");
  const silentAfter = 12000;
  const marks = document.getElementById("waiting").dataset;
  let rendering = Number(marks.rendering);
  let shown = Number(marks.generation);
  let wanted = shown;
  let lastHeard = Date.now();
  let knownAt = Date.parse(marks.asOf);
  let isConnected = true;
  let isReading = false;
  const waiting = document.getElementById("waiting");
  const name = document.title.slice(waiting.textContent.length);

  const clock = (ms) => new Date(ms).toISOString().slice(0, 19).replace("T", " ") + " UTC";

  function say() {
    const isLost = !isConnected || Date.now() - lastHeard > silentAfter;
    const text = isLost ? "Not updated since " + clock(knownAt) : "Up to date, " + clock(knownAt);
    if (fresh.textContent !== text) fresh.textContent = text;
    fresh.classList.toggle("lost", isLost);
    // Said aloud when it is lost, not every five seconds.
    fresh.setAttribute("aria-live", isLost ? "assertive" : "off");
    // A page that nobody sees is told of its count by its title; it asks once a minute whether it still holds.
    const isOld = document.hidden ? !isConnected : isLost;
    const title = (isOld ? "Not updated: " : "") + waiting.textContent + name;
    if (document.title !== title) document.title = title;
  }

  function put(element, text) {
    if (element && element.textContent !== text) element.textContent = text;
  }

  // A row that became another keeps what somebody is writing in it.
  function renewed(old, html) {
    const holder = document.createElement("template");
    holder.innerHTML = html;
    const row = holder.content.firstElementChild;
    if (old) {
      for (const field of old.querySelectorAll("input, select")) {
        const again = row.querySelector("#" + field.id);
        if (again && field.value) again.value = field.value;
      }
      for (const part of old.querySelectorAll("details[open]")) {
        row.querySelector("#" + part.id)?.setAttribute("open", "");
      }
      old.remove();
    }
    return row;
  }

  // Rows that stay where they are are not touched: a flood's rows cost too much to lay out again.
  function arrange(list, order, rows) {
    const wantedHere = new Set(order.map(([id]) => id));
    for (const row of [...list.children]) {
      if (!wantedHere.has(row.id)) row.remove();
    }
    let next = list.firstElementChild;
    for (const [id, left] of order) {
      let row = rows.get(id);
      if (row === next) {
        next = next.nextElementSibling;
      } else {
        list.insertBefore(row, next);
      }
      put(row.querySelector("time"), left);
    }
    list.closest("section").hidden = order.length === 0;
  }

  function show(changes) {
    const active = board.contains(document.activeElement) ? document.activeElement : null;
    const caret = active?.selectionStart;
    const rows = new Map();
    for (const order of Object.values(changes.lists)) {
      for (const [id] of order) rows.set(id, document.getElementById(id));
    }
    for (const [id, html] of Object.entries(changes.rows)) {
      const old = rows.get(id);
      const place = old?.nextElementSibling;
      const list = old?.parentElement;
      const row = renewed(old, html);
      if (list && row.tagName === (list.tagName === "OL" ? "LI" : "TR")) list.insertBefore(row, place);
      rows.set(id, row);
    }
    // A row that it should have and has not: all of them again.
    if ([...rows.values()].includes(null)) return false;
    for (const [id, order] of Object.entries(changes.lists)) {
      arrange(document.getElementById(id), order, rows);
    }
    for (const [id, text] of Object.entries(changes.said)) {
      const element = document.getElementById(id);
      put(element, text);
      (element.closest("p") ?? element).hidden = text === "";
    }
    if (active?.id && document.activeElement !== active) {
      const again = document.getElementById(active.id);
      again?.focus({ preventScroll: true });
      if (again?.setSelectionRange && caret !== null) again.setSelectionRange(caret, caret);
    }
    return true;
  }

  async function read() {
    if (isReading) return;
    isReading = true;
    try {
      while (shown !== wanted) {
        const asked = wanted;
        const answer = await fetch("/board?since=" + rendering, { cache: "no-store" });
        if (!answer.ok) throw new Error(answer.statusText);
        const changes = await answer.json();
        if (!show(changes)) {
          if (rendering === 0) throw new Error("a row is missing");
          rendering = 0;
          continue;
        }
        rendering = changes.rendering;
        // What was rendered may be older than what was asked for, and newer than what was told.
        shown = changes.generation;
        // No pause: news comes ten times a second at most.
        if (shown >= asked) wanted = Math.max(shown, wanted);
      }
    } catch {
      isConnected = false;
    } finally {
      isReading = false;
      say();
    }
  }

  // A browser keeps six connections a host and no more: a page that nobody sees, or that was left and lies in the
  // browser's memory, gives its own back.
  let events = null;

  function listen() {
    if (events || document.hidden) return;
    events = new EventSource("/live");
    events.onmessage = (event) => {
      const now = JSON.parse(event.data);
      lastHeard = Date.now();
      isConnected = now.connected;
      if (now.at > knownAt) knownAt = now.at;
      if (now.generation !== wanted || shown !== wanted) {
        wanted = now.generation;
        read();
      }
      say();
    };
    events.onerror = () => {
      isConnected = false;
      say();
    };
  }

  function leave() {
    events?.close();
    events = null;
  }

  document.addEventListener("visibilitychange", () => (document.hidden ? leave() : listen()));
  addEventListener("pagehide", leave);
  addEventListener("pageshow", listen);
  listen();
  setInterval(say, 1000);

  // Nobody sees how the time left goes on, so the rows are read only where something else is new.
  async function look() {
    try {
      const answer = await fetch("/now", { cache: "no-store", signal: AbortSignal.timeout(5000) });
      const now = await answer.json();
      isConnected = now.connected;
      wanted = now.generation;
      await read();
    } catch {
      isConnected = false;
    }
    say();
  }

  setInterval(() => {
    if (document.hidden) {
      look();
    } else {
      // Time left goes on without a change of any alert.
      shown = -1;
      read();
    }
  }, 60000);
})();
