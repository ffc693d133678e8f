// Checks a rule's text as it is written, and tries it on history.
"use strict";
(() => {
  const form = document.getElementById("rule");
  const source = document.getElementById("source");
  const lines = document.getElementById("lines");
  const checked = document.getElementById("checked");
  const tried = document.getElementById("tried");
  const button = document.getElementById("try");
  let waiting = 0;
  let asked = 0;
  let trying = null;

  function count() {
    const n = source.value.split("\n").length;
    lines.textContent = Array.from({ length: n }, (_, at) => at + 1).join("\n");
    lines.scrollTop = source.scrollTop;
  }

  async function check() {
    const mine = ++asked;
    const answer = await fetch(form.dataset.check, { method: "POST", body: new URLSearchParams({ source: source.value }) });
    const text = await answer.text();
    if (mine !== asked) return;
    if (answer.ok) checked.innerHTML = text;
    else checked.textContent = "The text could not be checked.";
  }

  source.addEventListener("input", () => {
    count();
    clearTimeout(waiting);
    waiting = setTimeout(() => check().catch(() => { checked.textContent = "The service does not answer."; }), 300);
  });
  source.addEventListener("scroll", () => { lines.scrollTop = source.scrollTop; });

  checked.addEventListener("click", (event) => {
    const place = event.target.closest("[data-line]");
    if (!place) return;
    event.preventDefault();
    const before = source.value.split("\n").slice(0, place.dataset.line - 1);
    const at = before.reduce((sum, line) => sum + line.length + 1, 0) + Number(place.dataset.column) - 1;
    source.focus();
    source.setSelectionRange(at, at + 1);
  });

  function take(block) {
    const kind = /^event: (.*)$/m.exec(block);
    const data = block.split("\n").filter((line) => line.startsWith("data: ")).map((line) => line.slice(6)).join("\n");
    if (!kind) return;
    if (kind[1] === "progress") tried.textContent = "Trying: " + data + " % of the units";
    else if (kind[1] === "done") tried.innerHTML = data;
    else tried.textContent = data;
  }

  async function tryIt() {
    if (trying) { trying.abort(); return; }
    trying = new AbortController();
    button.textContent = "Stop trying";
    tried.textContent = "Trying";
    try {
      const answer = await fetch(form.dataset.try, { method: "POST", body: new URLSearchParams({ source: source.value }), signal: trying.signal });
      const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
      let rest = "";
      for (;;) {
        const { done, value } = await reader.read();
        if (done) break;
        rest += value;
        const blocks = rest.split("\n\n");
        rest = blocks.pop();
        blocks.forEach(take);
      }
    } catch (error) {
      tried.textContent = error.name === "AbortError" ? "Stopped." : "The service does not answer.";
    } finally {
      trying = null;
      button.textContent = "Try on the last 30 days";
    }
  }

  button.addEventListener("click", tryIt);
  count();
  // A text that was refused stands there anew, with what is wrong with the one that is kept.
  if (document.getElementById("refused")) source.dispatchEvent(new Event("input"));
})();
