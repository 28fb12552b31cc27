// Moving a build by dragging or by keyboard fills the form below the schedule and asks; the server answers with the
// change in cost and dates and the auditor's word. Without script the form does the same.
"use strict";
(() => {
  document.addEventListener("keydown", (event) => {
    if (event.target.matches("input, select, textarea") || event.ctrlKey || event.metaKey || event.altKey) return;
    const link = document.querySelector(`a[data-key="${CSS.escape(event.key)}"]`);
    if (link) { event.preventDefault(); link.click(); }
  });
  const pins = document.getElementById("pin-form");
  const pin = (link) => {
    const field = pins.elements.build;
    field.value = link.dataset.build;
    const wanted = link.dataset.pinned === "yes" ? "no" : "yes";
    pins.requestSubmit(pins.querySelector(`button[value=${wanted}]`));
  };
  if (pins) {
    document.addEventListener("keydown", (event) => {
      const link = event.target.closest && event.target.closest("a.bld");
      if (!link || (event.key !== "p" && event.key !== "P") || event.ctrlKey || event.metaKey || event.altKey) return;
      event.preventDefault();
      pin(link);
    });
    document.addEventListener("click", (event) => {
      const link = event.target.closest && event.target.closest("a.bld");
      if (!link || !event.altKey) return;
      event.preventDefault();
      pin(link);
    });
  }
  const form = document.getElementById("move-form");
  const told = document.getElementById("moving");
  if (!form || !told) return;
  const rows = [...document.querySelectorAll("g.row[data-machine]")];
  const queue = (row) => [...row.querySelectorAll("a.bld")];
  let held = null;   // {link, row, place}: place counts the builds of the row before it, itself left out
  let start = null;  // where a drag began

  const others = (row) => queue(row).filter((b) => b !== held.link);
  // The first build drawn may have builds before it that lie outside the window.
  const hiddenBefore = () => {
    const first = others(held.row)[0];
    const known = first ? first.dataset.after : "";
    return known && known !== held.link.dataset.build ? known : "";
  };
  const say = () => {
    const before = held.place ? others(held.row)[held.place - 1].dataset.build : hiddenBefore();
    const machine = held.row.dataset.machine;
    const asks = start ? "Let it go here" : "Enter";
    told.hidden = false;
    told.textContent = `${held.link.dataset.build} to ${machine}, ${before ? "after " + before : "first"}. ${asks} asks what it changes, Escape leaves it where it is.`;
    document.querySelectorAll(".drophere").forEach((x) => x.remove());
    const beside = held.place ? others(held.row)[held.place - 1].querySelector(".body") : null;
    const x = beside ? +beside.getAttribute("x") + +beside.getAttribute("width") + 1 : 1;
    const line = document.createElementNS("http://www.w3.org/2000/svg", "path");
    line.setAttribute("class", "drophere");
    line.setAttribute("d", `M${x} 0V34`);
    held.row.append(line);
    return { before, machine };
  };
  const hold = (link) => {
    const row = link.closest("g.row");
    held = { link, row, place: queue(row).indexOf(link) };
    link.classList.add("held");
  };
  const drop = () => {
    start = null;
    if (held) held.link.classList.remove("held");
    held = null;
    told.hidden = true;
    document.querySelectorAll(".drophere").forEach((x) => x.remove());
  };
  const ask = () => {
    const { before, machine } = say();
    const set = (name, value) => {
      const field = form.elements[name];
      if (![...field.options].some((o) => o.value === value)) field.add(new Option(value, value));
      field.value = value;
    };
    set("build", held.link.dataset.build);
    set("machine", machine);
    set("after", before);
    form.requestSubmit();
  };
  document.addEventListener("keydown", (event) => {
    const link = event.target.closest && event.target.closest("a.bld");
    if (!link && !held) return;
    const moves = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0] };
    if (event.key === "Escape" && held) { given = start !== null; drop(); return; }
    if (event.key === "Enter" && held) { event.preventDefault(); ask(); return; }
    const step = moves[event.key];
    if (!step || !link) return;
    event.preventDefault();
    if (!held || held.link !== link) { drop(); hold(link); }
    const row = rows[rows.indexOf(held.row) + step[0]];
    if (row) {
      if (row !== held.row) { held.row = row; held.place = others(row).length; }
      held.place = Math.max(0, Math.min(others(row).length, held.place + step[1]));
    }
    say();
  });
  // Dragging: the place is behind the last build that begins left of the pointer.
  let given = false;  // a drag was given up: the click that ends it opens no plate
  document.addEventListener("click", (event) => {
    if (!given) return;
    given = false;
    if (event.target.closest && event.target.closest("a.bld")) event.preventDefault();
  }, { capture: true });
  document.addEventListener("pointercancel", drop);  // the browser scrolls instead
  document.addEventListener("pointerdown", (event) => {
    const link = event.target.closest && event.target.closest("a.bld");
    given = false;
    if (link && event.button === 0) start = { link, x: event.clientX, y: event.clientY };
  });
  document.addEventListener("dragstart", (event) => { if (event.target.closest && event.target.closest("a.bld")) event.preventDefault(); });
  document.addEventListener("pointermove", (event) => {
    if (!start) return;
    if (!held && Math.hypot(event.clientX - start.x, event.clientY - start.y) < 6) return;
    if (!held) hold(start.link);
    const over = document.elementsFromPoint(event.clientX, event.clientY).map((e) => e.closest("g.row")).find(Boolean);
    if (over) {
      held.row = over;
      held.place = others(over).filter((b) => b.querySelector(".body").getBoundingClientRect().left < event.clientX).length;
      say();
    }
  });
  document.addEventListener("pointerup", () => {
    if (start && held) { document.addEventListener("click", (e) => e.preventDefault(), { capture: true, once: true }); ask(); }
    start = null;
  });
})();
