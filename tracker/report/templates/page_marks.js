// What is laid over the figure and turns with it: points, numbered flags, a ring round one place.
const marks = (() => {
  const OFF_PX = 30, APART_PX = 34, BEHIND = 0.012, SETTLED_MS = 150;
  const over = document.getElementById("marks");
  const shown = { points: true, flags: true };
  let points = [], flags = [], ring = null, last = "", settled = 0;

  const svg = (name, attributes = {}) => {
    const node = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    return node;
  };
  // the same shapes as on the photographs
  const shapes = {
    finished: () => svg("circle", { r: 4, class: "hollow" }),
    close: () => svg("path", { d: "M0-5.5 5.5 0 0 5.5-5.5 0Z" }),
    untouched: () => svg("path", { d: "M-4-4H4V4H-4Z" }),
    "over-cut": () => svg("path", { d: "M-4.5-4.5 4.5 4.5M4.5-4.5-4.5 4.5", class: "cross" }),
    "not seen": () => svg("path", { d: "M0-5 5 4H-5Z", class: "hollow" }),
  };

  function start(onFlag) {
    const canvas = svg("svg");
    over.append(canvas);
    points = data.points.map((point) => {
      const node = svg("g", { class: "point" });
      node.append((shapes[point.state] || shapes["not seen"])());
      canvas.append(node);
      return { unit: form.unit(point.at), toward: point.toward, hidden: false, node };
    });
    flags = data.flags.filter((flag) => !flag.hidden).map((flag) => {
      const node = svg("g", { class: "stem" }), stem = svg("line"), button = document.createElement("button");
      node.append(svg("circle", { r: 3 }), stem);
      canvas.append(node);
      button.type = "button";
      button.tabIndex = -1; // the list beside the figure is reached by key
      button.textContent = String(flag.id);
      button.classList.toggle("old", !flag.open);
      button.addEventListener("click", () => onFlag(flag.id));
      over.append(button);
      return { unit: form.unit(flag.at), toward: flag.toward, hidden: false, node, stem, button };
    });
    ring = { unit: null, node: svg("circle", { r: 11, class: "ring" }) };
    canvas.append(ring.node);
    follow();
  }

  // Each flag stands on the side of its spot away from the figure's middle, clear of the others.
  function beside(x, y, middle, taken) {
    const first = Math.atan2(y - middle[1], x - middle[0]);
    for (const turn of [0, 0.6, -0.6, 1.2, -1.2, 2, -2, 3.1]) {
      for (const off of [OFF_PX, 2 * OFF_PX]) {
        const at = [off * Math.cos(first + turn), off * Math.sin(first + turn)];
        if (taken.every(([p, q]) => Math.hypot(p - x - at[0], q - y - at[1]) > APART_PX)) return at;
      }
    }
    return [OFF_PX, 0];
  }
  const at = (x, y) => `translate(${x.toFixed(1)}px, ${y.toFixed(1)}px)`;
  function place() {
    const project = figure.projector(), middle = project(0, 0, 0), taken = [];
    for (const mark of points) {
      mark.node.style.display = mark.hidden || !shown.points ? "none" : "";
      mark.node.style.transform = at(...project(...mark.unit));
    }
    for (const mark of flags) {
      const away = mark.hidden || !shown.flags;
      mark.button.hidden = away;
      mark.node.style.display = away ? "none" : "";
      if (away) continue;
      const [x, y] = project(...mark.unit), [dx, dy] = beside(x, y, middle, taken);
      taken.push([x + dx, y + dy]);
      mark.node.style.transform = at(x, y);
      mark.stem.setAttribute("x2", dx);
      mark.stem.setAttribute("y2", dy);
      mark.button.style.transform = `${at(x + dx, y + dy)} translate(-50%, -50%)`;
    }
    ring.node.style.display = ring.unit ? "" : "none";
    if (ring.unit) ring.node.style.transform = at(...project(...ring.unit));
  }

  // While it turns, what faces away is hidden; once it stands, whatever lies behind the figure.
  function facing() {
    const { from, away } = figure.now();
    for (const mark of [...points, ...flags]) {
      mark.hidden = mark.toward.reduce((sum, v, k) => sum + (v * from[k]) / away, 0) < -0.1;
    }
    place();
  }
  function behind() {
    const project = figure.projector(), all = [...points, ...flags];
    const pixels = all.map((mark) => project(...mark.unit));
    const nearest = figure.nearestUnder(pixels);
    all.forEach((mark, k) => { mark.hidden = nearest[k].away < pixels[k][2] - BEHIND; });
    place();
  }
  function follow() {
    const { width, height } = over.getBoundingClientRect();
    const now = `${Array.from(figure.matrixNow(), (v) => v.toFixed(5))} ${width} ${height}`;
    if (now !== last) {
      last = now;
      facing();
      clearTimeout(settled);
      settled = setTimeout(behind, SETTLED_MS);
    }
    requestAnimationFrame(follow);
  }

  function show(which, wanted) {
    shown[which] = wanted;
    place();
  }
  function ringAt(place_mm) {
    ring.unit = form.unit(place_mm);
    place();
  }
  return { start, show, ringAt };
})();
