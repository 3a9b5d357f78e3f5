/* What a form alone cannot do on the benches: a fold that somebody opened stays open when the
   bands are drawn anew, and the first field of a form that was asked for is ready to type in. */
(() => {
  "use strict";
  window.htmx.registerExtension("folds", {
    htmx_before_morph_attr: (node, { attrName }) => attrName !== "open" || !node.matches("details"),
  });
  document.addEventListener("htmx:after:swap", (event) => {
    const request = event.detail && event.detail.ctx && event.detail.ctx.request;
    const first = document.querySelector(".set-aside [data-focus]");
    if (request && request.method === "POST" && first) first.focus();
  });
})();
