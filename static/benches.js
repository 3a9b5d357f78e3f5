/* What a form alone cannot do on the benches: a fold that somebody opened stays open when the bands
   are drawn anew, the first field of a form that was asked for is ready to type in, and what has just
   changed under a finger takes no tap that was meant for what stood there before. */
(() => {
  "use strict";
  const QUIET = 1500; // ms for which a row that has changed takes no tap
  const timers = new WeakMap();
  let before = new Map();
  let finger = null;

  // What a row would do if it were tapped: that changes with every version of its piece.
  const rows = () => document.querySelectorAll("#bands .piece");
  const acts = (row) => Array.from(row.querySelectorAll("button"), (button) => button.value).join();
  const under = () => {
    const found = finger && document.elementFromPoint(finger.x, finger.y);
    return found && found.closest(".piece, .undo, .yes, .ticked");
  };
  const quieten = (part) => {
    const buttons = part.querySelectorAll("button, .button");
    for (const button of buttons) button.setAttribute("aria-disabled", "true");
    clearTimeout(timers.get(part));
    timers.set(part, setTimeout(() => {
      for (const button of part.querySelectorAll("[aria-disabled]")) button.removeAttribute("aria-disabled");
    }, QUIET));
  };

  window.htmx.registerExtension("benches", {
    // The house sends only the bands that differ from these; of the others, it names the place.
    htmx_config_request: (node, { ctx }) => {
      const bands = document.querySelectorAll("[data-stamp]");
      ctx.request.headers["Bands-Shown"] = Array.from(bands, (band) => band.dataset.stamp).join(" ");
    },
    htmx_before_morph_node: (node, { newNode }) => !newNode.hasAttribute("data-kept"),
    htmx_before_morph_attr: (node, { attrName }) =>
      attrName !== "aria-disabled" && (attrName !== "open" || !node.matches("details")),
  });
  document.addEventListener("pointerdown", (press) => {
    finger = { x: press.clientX, y: press.clientY };
  }, true);
  document.addEventListener("click", (press) => {
    if (!press.target.closest("[aria-disabled=true]")) return;
    press.preventDefault();
    press.stopImmediatePropagation();
  }, true);
  document.addEventListener("htmx:before:swap", () => {
    before = new Map(Array.from(rows(), (row) => [row.id, acts(row)]));
    before.set("under", under());
  });
  document.addEventListener("htmx:after:swap", (event) => {
    for (const row of rows()) if (before.get(row.id) !== acts(row)) quieten(row);
    const now = under();
    if (now && now !== before.get("under")) quieten(now);
    const request = event.detail && event.detail.ctx && event.detail.ctx.request;
    const first = document.querySelector(".set-aside [data-focus]");
    if (request && request.method === "POST" && first) first.focus();
  });
})();
