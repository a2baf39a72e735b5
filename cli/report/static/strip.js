"use strict";
/* The whole recording: overview with a window to drag, and the window's content below it.
   Every drawn column is the lowest and highest of all the samples it stands for. */
const Strip = (() => {
  const given = Page.numbers.strip;
  if (!given) return null;
  const { n, rate, start, width } = given;
  const low = given.low.map(Page.unpack);
  const high = given.high ? given.high.map(Page.unpack) : low;
  const close = given.close.map((one) => ({ ...one, samples: one.samples.map(Page.unpack) }));
  const windows = Page.numbers.events ? Page.numbers.events.windows : [];
  const events = Page.numbers.events ? Page.numbers.events.list : [];
  const odd = events.map((e, i) => ({ ...e, window: windows[i] })).filter((e) => e.odd && e.window);
  const LEAST = 16;
  const view = { a: 0, b: n };
  const seconds = (sample) => start + sample / rate;

  /* Lowest and highest of samples or bins [from, to) of one channel in `columns` columns at most. */
  function columns(lows, highs, origin, per, from, to, most) {
    const each = Math.max(1, Math.ceil((to - from) / most));
    const first = Math.floor(from / each) * each;
    const x = [], bottom = [], top = [];
    for (let i = first; i < to; i += each) {
      let l = Infinity, h = -Infinity;
      for (let k = Math.max(i, 0); k < Math.min(i + each, lows.length); k++) {
        if (lows[k] < l) l = lows[k];
        if (highs[k] > h) h = highs[k];
      }
      if (l > h) continue;
      x.push(seconds(origin + (i + (each - (per === 1 && each === 1 ? 1 : 0)) / 2) * per));
      bottom.push(l);
      top.push(h);
    }
    return { data: [x, bottom, top], samples: each * per };
  }

  function content(channel, a, b, most) {
    const part = width > 1 && close.find((c) => c.first <= a && b <= c.first + c.samples[channel].length);
    if (part) {
      return columns(part.samples[channel], part.samples[channel], part.first, 1,
        Math.max(0, Math.floor(a) - part.first - 1), Math.min(part.samples[channel].length, Math.ceil(b) - part.first + 1), most);
    }
    return columns(low[channel], high[channel], 0, width,
      Math.max(0, Math.floor(a / width) - 1), Math.min(low[channel].length, Math.ceil(b / width) + 1), most);
  }

  const unit = () => {
    const span = (view.b - view.a) / rate;
    return span < 2e-3 ? ["µs", 1e6] : span < 2 ? ["ms", 1e3] : ["s", 1];
  };

  function options(channel, fixed, bare) {
    const whole = Page.around(...Page.extent([low[channel], high[channel]]));
    const x = Page.axis({
      values: (u, splits, a, space, step) => Page.values(unit()[1])(u, splits, a, space, step)
        .map((text, i) => (i === 1 ? `${text} ${unit()[0]}` : text)),
      size: 28 });
    return {
      scales: {
        x: { time: false, range: fixed ? [seconds(0), seconds(n)] : () => [seconds(view.a), seconds(view.b)] },
        y: { range: (u, l, h) => (!bare && fit.checked && l != null ? Page.around(l, h) : whole) },
      },
      axes: bare ? [{ show: false }, { show: false }] : [x, Page.axis({ size: 56 })],
      padding: bare ? [2, 0, 2, 0] : [8, 8, 0, 0],
      series: [{}, edge(), edge()],
      bands: [{ series: [2, 1], fill: () => Page.colour("capture") }],
      cursor: bare ? { show: false } : { y: false, points: { show: false }, drag: { x: false, y: false } },
      hooks: { draw: [(u) => marks(u, bare)] },
    };
  }
  const edge = () => ({ stroke: () => Page.colour("capture"), width: 1, points: { show: false } });

  /* Odd events: a triangle at the top and a dashed line down. */
  function marks(u, bare) {
    const c = u.ctx, box = u.bbox, dpr = devicePixelRatio;
    c.save();
    c.setLineDash([]);
    c.fillStyle = c.strokeStyle = Page.colour("fault");
    c.lineWidth = dpr;
    for (const one of odd) {
      const at = (one.window[0] + one.window[1]) / 2;
      if (at < u.scales.x.min || at > u.scales.x.max) continue;
      const x = u.valToPos(at, "x", true), size = (bare ? 4 : 6) * dpr;
      c.beginPath();
      c.moveTo(x - size, box.top);
      c.lineTo(x + size, box.top);
      c.lineTo(x, box.top + 1.6 * size);
      c.fill();
    }
    c.restore();
  }

  const fit = document.getElementById("fit");
  const slider = document.getElementById("window");
  const overview = document.getElementById("overview");
  const said = document.getElementById("strip-said");
  const pixels = () => Math.max(100, overview.clientWidth);
  const overviews = given.roles.map((_, c) => Page.plot(document.getElementById(`overview-${c}`),
    options(c, true, true), content(c, 0, n, pixels()).data));
  const details = given.roles.map((_, c) => Page.plot(document.getElementById(`detail-${c}`),
    options(c, false, false), content(c, 0, n, pixels()).data));

  let due = 0;
  function set(a, b) {
    const span = Math.min(n, Math.max(Math.min(LEAST, n), b - a));
    const first = Math.min(Math.max(0, a + (b - a - span) / 2), n - span);
    view.a = first;
    view.b = first + span;
    if (!due) due = requestAnimationFrame(draw);
  }

  function draw() {
    due = 0;
    let samples = 1;
    details.forEach((u, c) => {
      const found = content(c, view.a, view.b, pixels());
      samples = found.samples;
      u.setData(found.data);
    });
    const share = (v) => `${(100 * v) / n}%`;
    slider.style.left = `min(${share(view.a)}, 100% - 22px)`;
    slider.style.width = `max(22px, ${share(view.b - view.a)})`;
    const [name, scale] = unit();
    const digits = Page.decimals((view.b - view.a) / rate * scale / 200);
    const show = (v) => (seconds(v) * scale).toFixed(digits);
    const words = `${show(view.a)} to ${show(view.b)} ${name}`;
    slider.setAttribute("aria-valuenow", String(Math.round((50 * (view.a + view.b)) / n)));
    slider.setAttribute("aria-valuetext", words);
    said.textContent = `${words}. ` + (samples > 1 ?
      `A column stands for ${samples} samples, lowest to highest.` +
      (samples === width && width > 1 ? " Finer detail is kept only at the places below." : "") : "Every sample is shown.");
  }

  const span = () => view.b - view.a;
  const move = (by) => set(view.a + by * span(), view.b + by * span());
  function zoom(factor, at = 0.5) {
    const centre = view.a + at * span(), size = Math.min(n, Math.max(LEAST, span() * factor));
    set(centre - at * size, centre + (1 - at) * size);
  }
  function to(window) {
    const a = (window[0] - start) * rate, b = (window[1] - start) * rate, air = 0.08 * (b - a);
    const inside = close.some((c) => c.first <= a && b <= c.first + c.samples[0].length);
    set(a - (inside ? 0 : air), b + (inside ? 0 : air));
  }
  function nextOdd() {
    const middle = (view.a + view.b) / 2;
    const later = span() < n ? odd.find((e) => (e.window[0] + e.window[1] - 2 * start) * rate / 2 > middle + 1) : null;
    to((later || odd[0]).window);
  }
  const acts = { left: () => move(-0.3), right: () => move(0.3), in: () => zoom(0.5), out: () => zoom(2),
    all: () => set(0, n), odd: nextOdd };
  for (const one of document.querySelectorAll("[data-go]")) {
    one.addEventListener("click", () => acts[one.dataset.go]());
  }
  document.getElementById("next-odd").hidden = odd.length === 0;
  fit.addEventListener("change", draw);

  const keys = { ArrowLeft: () => move(-0.1), ArrowRight: () => move(0.1), PageUp: () => move(-0.9), PageDown: () => move(0.9),
    "+": acts.in, "=": acts.in, ArrowUp: acts.in, "-": acts.out, ArrowDown: acts.out, 0: acts.all,
    Home: () => set(0, span()), End: () => set(n - span(), n) };
  slider.addEventListener("keydown", (event) => {
    if (!(event.key in keys) || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    keys[event.key]();
  });

  /* The overview: take the window, one of its ends, or jump. */
  overview.addEventListener("pointerdown", (event) => {
    const box = overview.getBoundingClientRect(), at = ((event.clientX - box.left) / box.width) * n;
    const grip = event.target.parentElement === slider ? [...slider.children].indexOf(event.target) : -1;
    if (grip < 0 && (at < view.a || at > view.b)) set(at - span() / 2, at + span() / 2);
    const from = { a: view.a, b: view.b, at };
    overview.setPointerCapture(event.pointerId);
    const drag = (e) => {
      const by = ((e.clientX - box.left) / box.width) * n - from.at;
      if (grip === 0) set(Math.min(from.a + by, from.b - LEAST), from.b);
      else if (grip === 1) set(from.a, Math.max(from.b + by, from.a + LEAST));
      else set(from.a + by, from.b + by);
    };
    const stop = () => {
      overview.removeEventListener("pointermove", drag);
      overview.removeEventListener("pointerup", stop);
      overview.removeEventListener("pointercancel", stop);
    };
    overview.addEventListener("pointermove", drag);
    overview.addEventListener("pointerup", stop);
    overview.addEventListener("pointercancel", stop);
  });

  /* The details: one finger or the mouse drags, two fingers pinch, the wheel zooms. */
  for (const u of details) {
    const fingers = new Map();
    const place = (x) => (x - u.over.getBoundingClientRect().left) / u.over.clientWidth;
    let from = null;
    const begin = () => { from = { a: view.a, b: view.b, at: [...fingers.values()].map(place) }; };
    u.over.addEventListener("pointerdown", (event) => {
      fingers.set(event.pointerId, event.clientX);
      u.over.setPointerCapture(event.pointerId);
      begin();
    });
    u.over.addEventListener("pointermove", (event) => {
      if (!fingers.has(event.pointerId)) return;
      fingers.set(event.pointerId, event.clientX);
      const now = [...fingers.values()].map(place), size = from.b - from.a;
      if (now.length === 1) {
        set(from.a - (now[0] - from.at[0]) * size, from.b - (now[0] - from.at[0]) * size);
      } else if (now.length === 2) {
        const wide = Math.max(0.02, Math.abs(now[1] - now[0])) / Math.max(0.02, Math.abs(from.at[1] - from.at[0]));
        const held = from.a + size * (from.at[0] + from.at[1]) / 2, next = Math.min(n, Math.max(LEAST, size / wide));
        const a = held - next * (now[0] + now[1]) / 2;
        set(a, a + next);
      }
    });
    const leave = (event) => { fingers.delete(event.pointerId); begin(); };
    u.over.addEventListener("pointerup", leave);
    u.over.addEventListener("pointercancel", leave);
    u.over.addEventListener("wheel", (event) => {
      if (event.deltaY > 0 && span() >= n) return; /* nothing left to zoom out: the page scrolls */
      event.preventDefault();
      zoom(Math.exp(Math.max(-1, Math.min(1, event.deltaY / 300))), place(event.clientX));
    }, { passive: false });
  }

  const places = document.getElementById("close-ups");
  const seen = new Set();
  for (const one of close) {
    if (seen.has(one.why)) continue;
    seen.add(one.why);
    const length = one.samples[0].length;
    places.append(Page.button(`see ${one.why}`, null, () => set(one.first, one.first + length)));
  }
  function follow() {
    overviews.forEach((u, c) => u.setData(content(c, 0, n, pixels()).data));
    draw();
  }
  follow();
  return { set, to, follow, view, nextOdd };
})();
