"use strict";
/* Theme, size and printing: whatever concerns all plots at once. */
(() => {
  const dark = matchMedia("(prefers-color-scheme: dark)");
  let chosen = null;
  const name = () => chosen || (dark.matches ? "dark" : "light");
  const button = document.getElementById("theme");
  button.hidden = false;
  button.addEventListener("click", () => {
    chosen = name() === "dark" ? "light" : "dark";
    Page.theme(chosen);
  });
  dark.addEventListener("change", () => Page.theme(name()));
  Page.theme(name());

  let due = 0;
  let wide = document.documentElement.clientWidth;
  addEventListener("resize", () => {
    if (due || wide === document.documentElement.clientWidth) return;
    due = requestAnimationFrame(() => {
      due = 0;
      wide = document.documentElement.clientWidth;
      for (const one of Page.plots) one.follow();
      if (Strip) Strip.follow();
    });
  });

  /* Paper is light, and has no scrolling: everything is drawn. */
  addEventListener("beforeprint", () => {
    if (Tiles) Tiles.all();
    Page.theme("light");
  });
  addEventListener("afterprint", () => Page.theme(name()));
})();
