"use strict";
/* All events side by side: a small plot each, drawn when it comes into sight. */
const Tiles = (() => {
  const given = Page.numbers.events, box = document.getElementById("tiles");
  if (!given || !box) return null;
  const points = given.points;
  const channels = given.curves.map(Page.unpack);
  const x = Float64Array.from({ length: points }, (_, i) => i);
  const cut = (event) => channels.map((all) => all.subarray(event * points, (event + 1) * points));
  const limits = channels.map((all) => Page.around(...Page.extent([all])));
  const strokes = ["capture", "median", "fault", "good"];
  const tiles = [...box.querySelectorAll(".tile")];
  const scales = { x: { time: false } };
  limits.forEach((range, c) => { scales[`y${c}`] = { range }; });

  tiles.forEach((tile, i) => {
    tile.addEventListener("click", () => pick(tile, i));
  });

  function pick(tile, i) {
    for (const one of tiles) one.setAttribute("aria-pressed", String(one === tile));
    if (Overlay) Overlay.event(`event ${given.list[i].number}`, cut(i));
    if (Strip && given.windows[i]) Strip.to(given.windows[i]);
  }

  const waiting = new Set(tiles);
  function build(tile) {
    if (!waiting.delete(tile)) return;
    const inner = tile.querySelector(".thumb"), i = tiles.indexOf(tile);
    Page.plot(inner, {
      scales, padding: [3, 3, 3, 3],
      axes: [{ show: false }, ...limits.map((_, c) => ({ scale: `y${c}`, show: false }))],
      series: [{}, ...limits.map((_, c) => ({ scale: `y${c}`, stroke: () => Page.colour(strokes[c % strokes.length]),
        width: 1.3, dash: c ? [3, 2] : undefined, points: { show: false } }))],
      cursor: { show: false },
    }, [x, ...cut(i)].map(Page.gapped));
  }

  /* A few per frame, so that no frame is held up. */
  const queue = [];
  function work() {
    const until = performance.now() + 12;
    while (queue.length && performance.now() < until) build(queue.shift());
    if (queue.length) requestAnimationFrame(work);
  }
  const watch = new IntersectionObserver((entries) => {
    const idle = queue.length === 0;
    for (const one of entries) {
      if (one.isIntersecting) {
        queue.push(one.target);
        watch.unobserve(one.target);
      }
    }
    if (idle && queue.length) requestAnimationFrame(work);
  }, { rootMargin: "200px" });
  tiles.forEach((tile) => watch.observe(tile));
  document.getElementById("only-odd").addEventListener("change", (event) =>
    box.classList.toggle("only-odd", event.target.checked));
  return { all: () => tiles.forEach(build) };
})();
