"use strict";
/* The typical event over the good spread, one plot per channel, and the timing shift below. */
const Overlay = (() => {
  const given = Page.numbers.overlay;
  if (!given) return null;
  const axis = Page.unpack(given.axis);
  const all = (list) => list.map(Page.unpack);
  const curves = { usual: all(given.usual), low: all(given.low), middle: all(given.middle), high: all(given.high) };
  const near = given.near.map((one) => all(one.curves));
  const readout = document.getElementById("readout");
  const FIRST_NEAR = 5;
  const EVENT = FIRST_NEAR + near.length;
  const DASH = { fault: [8, 4], good: [2, 3], event: [5, 2, 1, 2] };

  const firstFault = given.near.findIndex((one) => one.fault !== "");
  const shownAtFirst = (i) => given.near[i].fault !== "" && i === firstFault && given.named === given.near[i].fault;

  function series() {
    const line = (name, width, dash, show = true) => ({
      stroke: () => Page.colour(name), width, dash, show, points: { show: false }, spanGaps: false });
    return [
      {},
      { ...line("band", 1) }, { ...line("band", 1) },
      line("median", 1.5), line("capture", 2.5),
      ...given.near.map((one, i) => line(one.fault ? "fault" : "good", 2, one.fault ? DASH.fault : DASH.good, shownAtFirst(i))),
      line("event", 2, DASH.event, false),
    ];
  }

  /* Places: shaded and hatched under the curves, named above them. */
  function shade(channel) {
    return (u) => {
      const c = u.ctx, box = u.bbox;
      c.save();
      c.setLineDash([]);
      c.beginPath();
      c.rect(box.left, box.top, box.width, box.height);
      c.clip();
      for (const place of given.places) {
        if (place.channel !== channel) continue;
        const a = u.valToPos(place.from, "x", true), b = u.valToPos(place.to, "x", true);
        c.fillStyle = Page.colour("place-soft");
        c.fillRect(a, box.top, b - a, box.height);
        c.save();
        c.beginPath();
        c.rect(a, box.top, b - a, box.height);
        c.clip();
        c.strokeStyle = Page.colour("place");
        c.lineWidth = devicePixelRatio;
        c.globalAlpha = 0.55;
        c.beginPath();
        for (let x = a - box.height; x < b; x += 9 * devicePixelRatio) {
          c.moveTo(x, box.top + box.height);
          c.lineTo(x + box.height, box.top);
        }
        c.stroke();
        c.restore();
        c.strokeStyle = Page.colour("place");
        c.lineWidth = 1.5 * devicePixelRatio;
        c.strokeRect(a, box.top, b - a, box.height);
      }
      c.restore();
    };
  }

  const ROW = 20;
  const FONT = (dpr) => `600 ${12 * dpr}px system-ui, sans-serif`;

  /* Where the labels of a channel go in a plot so wide: rows from the top, none over another.
     On a narrow plot only the numbers, whose sizes the list beside it says. */
  function labels(u, channel, wide) {
    const mine = given.places.filter((p) => p.channel === channel).sort((a, b) => a.from - b.from);
    const c = u.ctx;
    const min = u.scales.x.min ?? axis[0], max = u.scales.x.max ?? axis[axis.length - 1]; /* not set at first */
    const at = (v) => ((Math.min(Math.max(v, min), max) - min) / (max - min)) * wide;
    c.save();
    c.font = FONT(1);
    let found = [];
    for (const full of [true, false]) {
      const rows = [];
      found = mine.map((place) => {
        const text = full ? `${place.number}: ${place.label}` : String(place.number);
        const width = Math.min(c.measureText(text).width + 10, wide);
        const left = Math.min(Math.max((at(place.from) + at(place.to) - width) / 2, 0), wide - width);
        let row = rows.findIndex((end) => end + 2 < left);
        if (row < 0) row = rows.push(0) - 1;
        rows[row] = left + width;
        return { text, width, left, row };
      });
      if (rows.length <= 2) break;
    }
    c.restore();
    return found;
  }

  function label(channel) {
    return (u) => {
      const c = u.ctx, box = u.bbox, dpr = devicePixelRatio;
      c.save();
      c.setLineDash([]);
      c.font = FONT(dpr);
      c.textBaseline = "middle";
      c.textAlign = "center";
      for (const one of labels(u, channel, box.width / dpr)) {
        const left = box.left + one.left * dpr, width = one.width * dpr, text = one.text;
        const top = box.top + (3 + ROW * one.row) * dpr;
        c.fillStyle = Page.colour("page");
        c.strokeStyle = Page.colour("place");
        c.lineWidth = 1.5 * dpr;
        c.fillRect(left, top, width, 18 * dpr);
        c.strokeRect(left, top, width, 18 * dpr);
        c.fillStyle = Page.colour("ink");
        c.fillText(text, left + width / 2, top + 9 * dpr, width);
      }
      c.restore();
    };
  }

  const short = (v) => (v == null || Number.isNaN(v) ? "–" : String(Number(v.toPrecision(4))));

  function read(u) {
    const i = u.cursor.idx;
    if (i == null || !u.over.matches(":hover")) return;
    readout.textContent = `at ${short(axis[i])} ${given.axisUnit}: ` + given.roles.map((role, k) =>
      `${role.slice(0, 24)} ${short(curves.usual[k][i])} ${given.units[k]} (good ${short(curves.low[k][i])} to ${short(curves.high[k][i])})`).join("; ");
  }

  function build(channel) {
    const element = document.getElementById(`overlay-${channel}`);
    const data = [axis, curves.low[channel], curves.high[channel], curves.middle[channel], curves.usual[channel],
      ...near.map((one) => one[channel]), new Float64Array(axis.length).fill(NaN)].map(Page.gapped);
    const range = (u) => {
      const used = [1, 2, 3, 4, ...near.map((_, i) => FIRST_NEAR + i), EVENT]
        .filter((i) => u.series[i].show).map((i) => u.data[i].filter((v) => v !== null));
      const [low, high] = Page.extent(used);
      const air = (high - low) * 0.06 || 1;
      const wide = Math.max(80, element.clientWidth - 64), tall = Math.max(80, element.clientHeight - 60);
      const rows = Math.max(0, ...labels(u, channel, wide).map((one) => one.row + 1));
      return [low - air, high + air + (high - low + 2 * air) * rows * ROW / (tall - rows * ROW)];
    };
    return Page.plot(element, {
      scales: { x: { time: false, range: (u, low, high) => [low, high] }, y: { range } },
      axes: [Page.axis({ label: `one event, ${given.axisUnit}` }), Page.axis({ size: 56, label: given.units[channel] })],
      series: series(),
      bands: [{ series: [2, 1], fill: () => Page.colour("band") }],
      cursor: { sync: { key: "overlay" }, points: { show: false }, y: false, drag: { x: true, y: false } },
      hooks: { drawClear: [shade(channel)], draw: [label(channel)], setCursor: [read] },
    }, data);
  }

  const plots = given.roles.map((_, channel) => build(channel));

  function show(index, visible) {
    for (const one of plots) one.setSeries(index, { show: visible });
  }

  const chips = document.getElementById("curves");
  function toggle(text, index, key) {
    const at = plots[0].series[index].show;
    return Page.button(text, at, (self) => {
      const now = self.getAttribute("aria-pressed") !== "true";
      self.setAttribute("aria-pressed", String(now));
      show(index, now);
    }, key);
  }
  chips.append(
    toggle("this capture", 4, { colour: "capture" }),
    toggle("good median", 3, { colour: "median" }),
  );
  const bandChip = Page.button("good 5–95 %", true, (self) => {
    const now = self.getAttribute("aria-pressed") !== "true";
    self.setAttribute("aria-pressed", String(now));
    show(1, now);
    show(2, now);
  }, { colour: "band", area: true });
  chips.append(bandChip);
  const further = [];
  given.near.forEach((one, i) => {
    const rank = given.near.slice(0, i).filter((o) => !o.fault === !one.fault).length;
    const words = (rank ? "next " : "nearest ") + (one.fault ? `fault: ${one.fault}` : "good") + ` #${one.reference}`;
    const chip = toggle(words, FIRST_NEAR + i,
      { colour: one.fault ? "fault" : "good", dash: one.fault ? DASH.fault : DASH.good });
    chip.hidden = rank > 0;
    if (rank > 0) further.push(chip);
    chips.append(chip);
  });
  if (further.length) {
    chips.append(Page.button(`${further.length} more references`, null, (self) => {
      for (const chip of further) chip.hidden = false;
      self.hidden = true;
      further[0].focus();
    }));
  }

  const eventChip = Page.button("", true, () => clearEvent(), { colour: "event", dash: DASH.event });
  eventChip.hidden = true;
  chips.append(eventChip);

  /* One event of the grid over the typical one; curves: one array per channel, any length. */
  function event(name, list) {
    plots.forEach((u, channel) => {
      const from = list[channel], data = u.data.slice();
      data[EVENT] = Array.from(axis, (_, i) => {
        const v = from[Math.min(from.length - 1, Math.floor((i + 0.5) * from.length / axis.length))];
        return Number.isNaN(v) ? null : v;
      });
      u.setData(data, false);
    });
    show(EVENT, true);
    eventChip.querySelector("span").textContent = `${name} (tap to hide)`;
    eventChip.hidden = false;
  }

  function clearEvent() {
    show(EVENT, false);
    eventChip.hidden = true;
  }

  const shift = Page.numbers.shift;
  if (shift) {
    document.getElementById("shift-part").hidden = false;
    document.getElementById("shift-said").textContent = shift.said;
    const element = document.getElementById("shift");
    element.setAttribute("aria-label", shift.said);
    const later = Page.unpack(shift.later);
    const reach = Math.max(shift.reach * 0.3, ...later.map((v) => (Number.isNaN(v) ? 0 : Math.abs(v)))) * 1.15;
    Page.plot(element, {
      scales: { x: { time: false }, y: { range: [-reach, reach] } },
      axes: [Page.axis({ label: `one event, ${given.axisUnit}` }), Page.axis({ size: 56, label: `later, ${given.axisUnit}` })],
      series: [{}, { stroke: () => Page.colour("soft"), width: 1, dash: [3, 3], points: { show: false } },
        { stroke: () => Page.colour("capture"), width: 3, points: { show: false },
          fill: () => Page.colour("place-soft"), fillTo: 0 }],
      cursor: { show: false },
      hooks: { draw: [zero] },
    }, [Page.unpack(shift.axis), later, Page.unpack(shift.steep)].map(Page.gapped));
  }
  function zero(u) {
    const y = u.valToPos(0, "y", true), c = u.ctx;
    c.save();
    c.strokeStyle = Page.colour("median");
    c.lineWidth = 1.5 * devicePixelRatio;
    c.beginPath();
    c.moveTo(u.bbox.left, y);
    c.lineTo(u.bbox.left + u.bbox.width, y);
    c.stroke();
    c.restore();
  }
  return { event, plots };
})();
