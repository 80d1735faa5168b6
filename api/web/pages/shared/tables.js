// A table that is wider than its panel is scrolled in it, and says so.

const say = () => {
  for (const box of document.querySelectorAll(".table-box")) {
    // To ask how wide one is that is folded away would lay it out, row by row.
    if (!box.closest("details:not([open])")) box.toggleAttribute("data-scrolls", box.scrollWidth > box.clientWidth + 1);
  }
};

// The body's size changes with the window, and with whatever is shown, folded or put in place.
new ResizeObserver(() => requestAnimationFrame(say)).observe(document.body);
