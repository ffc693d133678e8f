// Plots of one unit: pan, zoom, gaps as gaps, the stretches in which alerts stood shaded.
"use strict";
(() => {
  const root = document.getElementById("plots");
  if (!root) return;
  const whole = { from: Number(root.dataset.from), to: Number(root.dataset.to) };
  const shades = JSON.parse(root.dataset.shades);
  const view = { ...whole };
  const plots = [];
  const left = 56, right = 8, top = 8, bottom = 22;
  const leastSpan = 10000;

  const color = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

  function niceStep(span, n) {
    const raw = span / n;
    const power = 10 ** Math.floor(Math.log10(raw));
    for (const factor of [1, 2, 5, 10]) if (raw <= factor * power) return factor * power;
    return 10 * power;
  }

  function timeStep(span, n) {
    const steps = [1e3, 2e3, 5e3, 1e4, 15e3, 3e4, 6e4, 12e4, 3e5, 6e5, 9e5, 18e5, 36e5, 72e5, 108e5, 216e5, 432e5, 864e5, 1728e5, 6048e5, 2592e6, 7776e6, 31536e6];
    for (const step of steps) if (span / step <= n) return step;
    return steps[steps.length - 1];
  }

  function timeText(ms, step) {
    const text = new Date(ms).toISOString();
    if (step >= 864e5) return text.slice(0, 10);
    if (ms % 864e5 === 0) return text.slice(5, 10);
    return step >= 6e4 ? text.slice(11, 16) : text.slice(11, 19);
  }

  const numberText = (value) => (Math.abs(value) >= 10000 ? Math.round(value).toString() : Number(value.toPrecision(5)).toString());

  class Plot {
    constructor(figure) {
      this.channel = figure.dataset.channel;
      this.canvas = figure.querySelector("canvas");
      this.read = figure.querySelector(".read");
      this.title = this.canvas.getAttribute("aria-label");
      this.data = null;
      this.asked = 0;
      this.pointer = null;
      const canvas = this.canvas;
      canvas.addEventListener("pointerdown", (event) => {
        canvas.setPointerCapture(event.pointerId);
        this.drag = { x: event.clientX, from: view.from, to: view.to };
      });
      canvas.addEventListener("pointermove", (event) => {
        if (this.drag) {
          const moved = ((this.drag.x - event.clientX) * (this.drag.to - this.drag.from)) / this.inner();
          look(this.drag.from + moved, this.drag.to + moved);
        } else {
          this.pointer = event.offsetX;
          this.draw();
        }
      });
      for (const end of ["pointerup", "pointercancel"]) canvas.addEventListener(end, () => { this.drag = null; });
      canvas.addEventListener("pointerleave", () => { this.pointer = null; this.draw(); });
      canvas.addEventListener("wheel", (event) => {
        event.preventDefault();
        zoom(event.deltaY > 0 ? 1.25 : 0.8, this.at(event.offsetX));
      }, { passive: false });
      canvas.addEventListener("keydown", (event) => {
        const span = view.to - view.from;
        const acts = {
          ArrowLeft: () => look(view.from - span / 5, view.to - span / 5),
          ArrowRight: () => look(view.from + span / 5, view.to + span / 5),
          "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2),
          Home: () => look(whole.from, whole.to),
        };
        const act = acts[event.key];
        if (act) { event.preventDefault(); act(); }
      });
    }

    inner() { return Math.max(this.canvas.clientWidth - left - right, 50); }
    at(x) { return view.from + ((x - left) / this.inner()) * (view.to - view.from); }

    async load() {
      const asked = ++this.asked;
      const span = view.to - view.from;
      // Half a view more on each side, so that moving shows something at once.
      const from = Math.floor(view.from - span / 2), to = Math.ceil(view.to + span / 2);
      const query = new URLSearchParams({ channel: this.channel, from, to, width: 2 * this.inner() });
      try {
        const answer = await fetch(root.dataset.unit + "?" + query);
        if (!answer.ok) throw new Error(answer.statusText);
        const data = await answer.json();
        if (asked !== this.asked) return;
        this.data = data;
        this.trouble = "";
      } catch {
        if (asked !== this.asked) return;
        this.trouble = "could not be read";
      }
      this.draw();
    }

    draw() {
      const canvas = this.canvas, scale = window.devicePixelRatio || 1;
      const width = canvas.clientWidth, height = canvas.clientHeight;
      if (canvas.width !== Math.round(width * scale) || canvas.height !== Math.round(height * scale)) {
        canvas.width = Math.round(width * scale);
        canvas.height = Math.round(height * scale);
      }
      const pen = canvas.getContext("2d");
      pen.setTransform(scale, 0, 0, scale, 0, 0);
      pen.clearRect(0, 0, width, height);
      pen.font = "12px system-ui, sans-serif";
      const ink = color("--ink"), soft = color("--soft"), rule = color("--rule");
      const x = (t) => left + ((t - view.from) / (view.to - view.from)) * this.inner();
      const data = this.data;
      if (!data || this.trouble) {
        pen.fillStyle = soft;
        pen.fillText(this.trouble || "reading", left + 8, height / 2);
        return;
      }
      let low = Infinity, high = -Infinity, n = 0, sum = 0;
      for (let i = 0; i < data.t.length; i++) {
        if (data.t[i] < view.from || data.t[i] > view.to) continue;
        low = Math.min(low, data.low[i]);
        high = Math.max(high, data.high[i]);
        sum += data.mid[i];
        n++;
      }
      const hasData = n > 0;
      if (!hasData) { low = 0; high = 1; }
      const margin = (high - low) * 0.06 || Math.abs(high) * 0.05 || 1;
      low -= margin; high += margin;
      const y = (v) => top + ((high - v) / (high - low)) * (height - top - bottom);
      pen.save();
      pen.beginPath();
      pen.rect(left, top, this.inner(), height - top - bottom);
      pen.clip();
      pen.fillStyle = color("--shade");
      for (const shade of shades) pen.fillRect(x(shade.from), top, Math.max(x(shade.to) - x(shade.from), 2), height);
      pen.restore();
      pen.strokeStyle = rule;
      pen.fillStyle = soft;
      pen.lineWidth = 1;
      const stepV = niceStep(high - low, 4);
      pen.textAlign = "right";
      for (let v = Math.ceil(low / stepV) * stepV; v <= high; v += stepV) {
        pen.beginPath(); pen.moveTo(left, y(v)); pen.lineTo(width - right, y(v)); pen.stroke();
        pen.fillText(numberText(v), left - 6, y(v) + 4);
      }
      pen.textAlign = "left";
      pen.fillText(data.unit, left + 4, top + 12);
      const stepT = timeStep(view.to - view.from, Math.max(2, this.inner() / 90));
      pen.textAlign = "center";
      for (let t = Math.ceil(view.from / stepT) * stepT; t <= view.to; t += stepT) pen.fillText(timeText(t, stepT), x(t), height - 6);
      pen.save();
      pen.beginPath();
      pen.rect(left, top, this.inner(), height - top - bottom);
      pen.clip();
      if (data.of !== "samples") this.band(pen, x, y);
      pen.strokeStyle = color("--mark");
      pen.lineWidth = 1.5;
      pen.beginPath();
      let last = null;
      for (let i = 0; i < data.t.length; i++) {
        const isGap = last === null || data.t[i] - last > data.gap_ms;
        if (isGap) pen.moveTo(x(data.t[i]), y(data.mid[i]));
        else {
          if (data.steps) pen.lineTo(x(data.t[i]), y(data.mid[i - 1]));
          pen.lineTo(x(data.t[i]), y(data.mid[i]));
        }
        last = data.t[i];
      }
      pen.stroke();
      pen.restore();
      if (!hasData) {
        pen.textAlign = "left";
        pen.fillText("no measurement in this stretch", left + 8, height / 2);
      }
      const unit = data.unit && " " + data.unit;
      this.canvas.setAttribute("aria-label", hasData
        ? `${this.title}: from ${numberText(low + margin)} to ${numberText(high - margin)}${unit}, mean ${numberText(sum / n)}${unit}`
        : `${this.title}: no measurement in this stretch`);
      this.tell(pen, x, y, ink, unit);
    }

    // Least to greatest of each minute or hour.
    band(pen, x, y) {
      const data = this.data;
      pen.fillStyle = color("--band");
      let start = 0;
      for (let i = 1; i <= data.t.length; i++) {
        if (i < data.t.length && data.t[i] - data.t[i - 1] <= data.gap_ms) continue;
        pen.beginPath();
        for (let k = start; k < i; k++) pen.lineTo(x(data.t[k]), y(data.high[k]));
        for (let k = i - 1; k >= start; k--) pen.lineTo(x(data.t[k]), y(data.low[k]));
        pen.fill();
        start = i;
      }
    }

    tell(pen, x, y, ink, unit) {
      const data = this.data;
      if (this.pointer === null || data.t.length === 0) { this.read.textContent = ""; return; }
      const at = this.at(this.pointer);
      let lo = 0, hi = data.t.length - 1;
      while (lo < hi) {
        const mid = (lo + hi) >> 1;
        if (data.t[mid] < at) lo = mid + 1; else hi = mid;
      }
      if (lo > 0 && at - data.t[lo - 1] < data.t[lo] - at) lo--;
      if (Math.abs(data.t[lo] - at) > data.gap_ms) { this.read.textContent = ""; return; }
      pen.fillStyle = ink;
      pen.beginPath();
      pen.arc(x(data.t[lo]), y(data.mid[lo]), 3, 0, 7);
      pen.fill();
      const when = new Date(data.t[lo]).toISOString().slice(0, 19).replace("T", " ");
      const within = shades.filter((shade) => shade.from <= at && at <= shade.to).map((shade) => "alert " + shade.says);
      this.read.textContent = [`${numberText(data.mid[lo])}${unit}`, when, ...within.slice(0, 1)].join(", ");
    }
  }

  let waiting = 0;
  function look(from, to) {
    const span = Math.max(to - from, leastSpan);
    view.from = from;
    view.to = from + span;
    for (const plot of plots) plot.draw();
    clearTimeout(waiting);
    waiting = setTimeout(() => plots.forEach((plot) => plot.load()), 150);
  }
  function zoom(factor, about = (view.from + view.to) / 2) {
    look(about - (about - view.from) * factor, about + (view.to - about) * factor);
  }

  for (const figure of root.querySelectorAll("figure")) plots.push(new Plot(figure));
  for (const plot of plots) plot.load();
  addEventListener("resize", () => plots.forEach((plot) => plot.draw()));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => plots.forEach((plot) => plot.draw()));
})();

// Which channels are heard: each is asked about, so it comes after the page.
(async () => {
  const heard = document.getElementById("heard");
  if (!heard) return;
  try {
    const answer = await fetch(heard.dataset.from);
    if (!answer.ok) throw new Error(answer.statusText);
    heard.innerHTML = await answer.text();
  } catch {
    heard.textContent = "Could not be read; load the page again.";
  }
})();
