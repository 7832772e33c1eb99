// The figure: drawn by the library, turned by hand, keys and lists, asked by a tap.
const stand = document.getElementById("figure");
const figure = (() => {
  const NEAR = 0.35, FAR = 4, STEEPEST = 1.5, TAP_PX = 6;
  const plain = { hoverinfo: "skip", showlegend: false };
  const light = { ambient: 0.72, diffuse: 0.42, specular: 0.04, roughness: 0.9, fresnel: 0.02 };
  let ready = false, current = Object.keys(data.views)[0], onAsk = () => {};

  function able() {
    try {
      const canvas = document.createElement("canvas");
      return Boolean(canvas.getContext("webgl2") || canvas.getContext("webgl"));
    } catch { return false; }
  }

  // Triangles with figures at all corners, and the others.
  function split(view) {
    const values = new Float32Array(form.count);
    for (let i = 0; i < form.count; i++) values[i] = shade(view, i);
    const seen = [[], [], []], unseen = [[], [], []];
    for (let t = 0; t < form.triangles; t++) {
      const a = form.corner(t, 0), b = form.corner(t, 1), c = form.corner(t, 2);
      const into = isNaN(values[a] + values[b] + values[c]) ? unseen : seen;
      into[0].push(a); into[1].push(b); into[2].push(c);
    }
    return { values: values.map((v) => (isNaN(v) ? view.low : v)), seen, unseen };
  }

  // Grey of each corner without a figure: 0 where fewer than three photographs look at it.
  const looked = new Float32Array(form.count);
  for (let i = 0; i < form.count; i++) looked[i] = viewers.count(i) < FEWEST_PHOTOS ? 0 : 1;

  function mesh(view, parts, which) {
    const [i, j, k] = parts[which];
    const grey = which === "unseen";
    return {
      type: "mesh3d", x: form.x, y: form.y, z: form.z, i, j, k,
      intensity: grey ? looked : parts.values,
      cmin: grey ? 0 : view.low, cmax: grey ? 1 : view.high,
      colorscale: grey ? [[0, view.greys[0]], [0.5, view.greys[0]], [0.5, view.greys[1]], [1, view.greys[1]]] : view.stops,
      showscale: false, lighting: light, lightposition: { x: -2e4, y: -6e4, z: 9e4 }, ...plain,
    };
  }

  function columns(places) {
    const at = places.map(form.unit);
    return { x: at.map((p) => p[0]), y: at.map((p) => p[1]), z: at.map((p) => p[2]) };
  }

  const symbols = { finished: "circle", close: "diamond", untouched: "square", "over-cut": "x", "not seen": "circle-open" };
  function pointMarks() {
    return {
      type: "scatter3d", mode: "markers", ...columns(data.points.map((p) => p.at)), ...plain,
      marker: { size: 4.5, color: "#22252b", symbol: data.points.map((p) => symbols[p.state] || "circle"), line: { color: "#fcfbf8", width: 1 } },
    };
  }
  function flagMarks() {
    const flags = data.flags.filter((f) => !f.hidden);
    return {
      type: "scatter3d", mode: "markers+text", ...columns(flags.map((f) => f.top)), ...plain,
      text: flags.map((f) => String(f.id)), textposition: "middle center", textfont: { size: 13, color: "#22252b", family: "system-ui, DejaVu Sans, sans-serif" },
      marker: { size: 17, color: "#ffffff", line: { color: flags.map((f) => (f.open ? data.colours.overcut : "#888885")), width: 3 } },
    };
  }
  function stems() {
    const lines = [];
    for (const flag of data.flags.filter((f) => !f.hidden)) lines.push(flag.at, flag.top, [NaN, NaN, NaN]);
    return { type: "scatter3d", mode: "lines", ...columns(lines), line: { color: "#22252b", width: 3 }, connectgaps: false, ...plain };
  }
  function ring(place) {
    return {
      type: "scatter3d", mode: "markers", ...columns(place ? [place] : []), ...plain,
      marker: { size: 13, symbol: "circle-open", color: "#22252b", line: { color: "#22252b", width: 4 } },
    };
  }

  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const axis = { visible: false, showspikes: false, range: [-0.62, 0.62] };
  function layout() {
    return {
      margin: { l: 0, r: 0, t: 0, b: 0 }, paper_bgcolor: colour("--stand"),
      scene: {
        bgcolor: colour("--stand"), aspectmode: "cube", dragmode: "turntable", hovermode: false,
        xaxis: axis, yaxis: axis, zaxis: axis, camera: camera([-0.25, -1, 0.22], 1.3),
      },
    };
  }

  function camera(toward, away, center = [0, 0, 0]) {
    let [x, y, z] = toward;
    const flat = Math.hypot(x, y);
    if (Math.atan2(Math.abs(z), flat) > STEEPEST) {
      // straight from above the figure's front stays below
      [x, y, z] = flat > 1e-6 ? [x, y, z] : [0, -1, Math.sign(z)];
      const level = Math.hypot(x, y), scale = 1 / level;
      [x, y, z] = [x * scale, y * scale, Math.sign(z) * Math.tan(STEEPEST)];
    }
    const length = Math.hypot(x, y, z) || 1;
    const eye = [x, y, z].map((v, k) => (v / length) * away + center[k]);
    const point = (p) => ({ x: p[0], y: p[1], z: p[2] });
    return { eye: point(eye), center: point(center), up: { x: 0, y: 0, z: 1 } };
  }

  function now() {
    const { eye, center } = stand._fullLayout.scene._scene.getCamera();
    const from = [eye.x - center.x, eye.y - center.y, eye.z - center.z];
    return { from, center: [center.x, center.y, center.z], away: Math.hypot(...from) };
  }
  const look = (toward, away, center) =>
    ready ? Plotly.relayout(stand, { "scene.camera": camera(toward, away, center) }) : Promise.resolve();

  function turn(right, up) {
    const { from, center, away } = now();
    const level = Math.atan2(from[1], from[0]) + right;
    const rise = Math.max(-STEEPEST, Math.min(STEEPEST, Math.asin(from[2] / away) + up));
    return look([Math.cos(level) * Math.cos(rise), Math.sin(level) * Math.cos(rise), Math.sin(rise)], away, center);
  }
  function zoom(factor) {
    const { from, center, away } = now();
    return look(from, Math.max(NEAR, Math.min(FAR, away * factor)), center);
  }

  // Turns to a place: looked at from where it faces, a little nearer than the whole figure.
  function turnTo(place, toward) {
    const center = form.unit(place).map((v) => (0.45 * v) / 1.24);
    return look(toward, 0.95, center).then(() => Plotly.restyle(stand, ringColumns(place), [5]));
  }
  function ringColumns(place) {
    const { x, y, z } = columns([place]);
    return { x: [x], y: [y], z: [z] };
  }

  // Row of the drawn form under a place of the stand, by the library's own matrices; -1 for none.
  function rowAt(px, py) {
    const scene = stand._fullLayout.scene._scene;
    const { model, view, projection } = scene.glplot.cameraParams;
    const matrix = product(projection, product(view, model));
    const { width, height } = stand.getBoundingClientRect();
    const sx = new Float32Array(form.count), sy = new Float32Array(form.count), sw = new Float32Array(form.count);
    const [dx, dy, dz] = scene.dataScale;
    for (let i = 0; i < form.count; i++) {
      const x = form.x[i] * dx, y = form.y[i] * dy, z = form.z[i] * dz;
      const w = matrix[3] * x + matrix[7] * y + matrix[11] * z + matrix[15];
      sx[i] = (0.5 + (0.5 * (matrix[0] * x + matrix[4] * y + matrix[8] * z + matrix[12])) / w) * width;
      sy[i] = (0.5 - (0.5 * (matrix[1] * x + matrix[5] * y + matrix[9] * z + matrix[13])) / w) * height;
      sw[i] = w;
    }
    let best = -1, nearest = Infinity;
    for (let t = 0; t < form.triangles; t++) {
      const a = form.corner(t, 0), b = form.corner(t, 1), c = form.corner(t, 2);
      const area = (sx[b] - sx[a]) * (sy[c] - sy[a]) - (sx[c] - sx[a]) * (sy[b] - sy[a]);
      if (area === 0) continue;
      const u = ((sx[b] - px) * (sy[c] - py) - (sx[c] - px) * (sy[b] - py)) / area;
      const v = ((sx[c] - px) * (sy[a] - py) - (sx[a] - px) * (sy[c] - py)) / area;
      if (u < 0 || v < 0 || u + v > 1) continue;
      const away = 1 / (u / sw[a] + v / sw[b] + (1 - u - v) / sw[c]);
      if (away <= 0 || away >= nearest) continue;
      nearest = away;
      best = u >= v && u >= 1 - u - v ? a : v >= 1 - u - v ? b : c;
    }
    return best;
  }
  function product(a, b) {
    const out = new Float64Array(16);
    for (let c = 0; c < 4; c++) for (let r = 0; r < 4; r++) {
      let sum = 0;
      for (let k = 0; k < 4; k++) sum += a[4 * k + r] * b[4 * c + k];
      out[4 * c + r] = sum;
    }
    return out;
  }
  const placeOf = (row) => [form.x[row], form.y[row], form.z[row]].map((v, k) => v * form.side + form.middle[k]);

  function ask(px, py) {
    const row = rowAt(px, py);
    if (row < 0) return;
    Plotly.restyle(stand, ringColumns(placeOf(row)), [5]);
    onAsk(row);
  }

  function listen() {
    let down = null;
    stand.addEventListener("pointerdown", (e) => { down = e.isPrimary && e.button === 0 ? [e.clientX, e.clientY] : null; }, true);
    window.addEventListener("pointerup", (e) => {
      if (!down || Math.hypot(e.clientX - down[0], e.clientY - down[1]) > TAP_PX) return;
      down = null;
      const box = stand.getBoundingClientRect();
      if (e.clientX < box.left || e.clientX > box.right || e.clientY < box.top || e.clientY > box.bottom) return;
      ask(e.clientX - box.left, e.clientY - box.top);
    }, true);
    const keys = {
      ArrowLeft: () => turn(-0.2, 0), ArrowRight: () => turn(0.2, 0), ArrowUp: () => turn(0, 0.2), ArrowDown: () => turn(0, -0.2),
      "+": () => zoom(0.8), "=": () => zoom(0.8), "-": () => zoom(1.25),
      Enter: () => { const box = stand.getBoundingClientRect(); ask(box.width / 2, box.height / 2); },
    };
    stand.addEventListener("keydown", (e) => {
      if (!keys[e.key] || e.ctrlKey || e.metaKey || e.altKey) return;
      e.preventDefault();
      keys[e.key]();
    });
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () =>
      Plotly.relayout(stand, { paper_bgcolor: colour("--stand"), "scene.bgcolor": colour("--stand") }));
  }

  function show(key) {
    current = key;
    if (!ready) return Promise.resolve();
    const view = data.views[key], parts = split(view);
    const both = [mesh(view, parts, "seen"), mesh(view, parts, "unseen")];
    const change = {};
    for (const name of ["i", "j", "k", "intensity", "cmin", "cmax", "colorscale"]) change[name] = both.map((m) => m[name]);
    return Plotly.restyle(stand, change, [0, 1]);
  }

  async function start() {
    if (!able()) return false;
    const view = data.views[current], parts = split(view);
    const traces = [mesh(view, parts, "seen"), mesh(view, parts, "unseen"), pointMarks(), stems(), flagMarks(), ring(null)];
    await Plotly.newPlot(stand, traces, layout(), { displayModeBar: false, responsive: true, scrollZoom: true });
    ready = true;
    listen();
    return true;
  }
  const showMarks = (name, shown) => Plotly.restyle(stand, { visible: shown }, name === "points" ? [2] : [3, 4]);
  return { start, show, showMarks, turnTo, look, zoom, rowAt, placeOf, now, whenAsked: (f) => { onAsk = f; } };
})();
