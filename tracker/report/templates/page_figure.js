// The figure: drawn by the library, turned by hand, keys and lists, asked by a tap.
const stand = document.getElementById("figure");
const figure = (() => {
  const NEAR = 0.35, FAR = 4, STEEPEST = 1.5, STEEP = 1.1, TAP_PX = 6, SCENE = 1.24;
  const plain = { hoverinfo: "skip", showlegend: false };
  const light = { ambient: 0.72, diffuse: 0.42, specular: 0.04, roughness: 0.9, fresnel: 0.02 };
  let ready = false, current = Object.keys(data.views)[0], onAsk = () => {};

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

  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const axis = {
    visible: false, range: [-SCENE / 2, SCENE / 2], showspikes: false, showgrid: false, zeroline: false,
    showline: false, showticklabels: false, ticks: "", tickmode: "array", tickvals: [], title: { text: "" },
  };
  function layout() {
    return {
      margin: { l: 0, r: 0, t: 0, b: 0 }, paper_bgcolor: colour("--stand"),
      scene: {
        bgcolor: colour("--stand"), aspectmode: "cube", dragmode: "turntable", hovermode: false,
        xaxis: axis, yaxis: axis, zaxis: axis, camera: camera([-0.25, -1, 0.22], 1.3),
      },
    };
  }

  function camera(toward, away, center = [0, 0, 0], level = [0, -1]) {
    let [x, y, z] = toward;
    const flat = Math.hypot(x, y);
    // seen steeply from above, the figure does not roll about
    if (Math.atan2(Math.abs(z), flat) > STEEP) {
      [x, y] = level;
      z = Math.sign(z) * Math.tan(Math.min(Math.atan2(Math.abs(toward[2]), flat), STEEPEST)) * Math.hypot(x, y);
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
  const look = (toward, away, center, level) =>
    ready ? Plotly.relayout(stand, { "scene.camera": camera(toward, away, center, level) }) : Promise.resolve();

  function turn(right, up) {
    const { from, center, away } = now();
    const level = Math.atan2(from[1], from[0]) + right;
    const rise = Math.max(-STEEPEST, Math.min(STEEPEST, Math.asin(from[2] / away) + up));
    const around = [Math.cos(level), Math.sin(level)];
    return look([around[0] * Math.cos(rise), around[1] * Math.cos(rise), Math.sin(rise)], away, center, around);
  }
  function zoom(factor) {
    const { from, center, away } = now();
    return look(from, Math.max(NEAR, Math.min(FAR, away * factor)), center, from.slice(0, 2));
  }

  // Turns to a place: looked at from where it faces, a little nearer than the whole figure.
  function turnTo(place, toward) {
    const center = form.unit(place).map((v) => (0.45 * v) / SCENE);
    const level = ready ? now().from.slice(0, 2) : undefined;
    return look(toward, 0.95, center, level);
  }

  // The library's own matrices take a place of the form to the stand's pixels.
  function matrixNow() {
    const { model, view, projection } = stand._fullLayout.scene._scene.glplot.cameraParams;
    return product(projection, product(view, model));
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
  function projector() {
    const m = matrixNow(), [dx, dy, dz] = stand._fullLayout.scene._scene.dataScale;
    const { width, height } = stand.getBoundingClientRect();
    return (ux, uy, uz) => {
      const x = ux * dx, y = uy * dy, z = uz * dz;
      const w = m[3] * x + m[7] * y + m[11] * z + m[15];
      return [
        (0.5 + (0.5 * (m[0] * x + m[4] * y + m[8] * z + m[12])) / w) * width,
        (0.5 - (0.5 * (m[1] * x + m[5] * y + m[9] * z + m[13])) / w) * height,
        w,
      ];
    };
  }

  // What lies nearest under each of some pixels: a corner of the form (-1: nothing) and how far off.
  function nearestUnder(pixels) {
    const project = projector();
    const sx = new Float32Array(form.count), sy = new Float32Array(form.count), sw = new Float32Array(form.count);
    for (let i = 0; i < form.count; i++) [sx[i], sy[i], sw[i]] = project(form.x[i], form.y[i], form.z[i]);
    const found = pixels.map(() => ({ row: -1, away: Infinity }));
    const order = pixels.map((_, k) => k).sort((a, b) => pixels[a][1] - pixels[b][1]);
    const heights = order.map((k) => pixels[k][1]);
    for (let t = 0; t < form.triangles; t++) {
      const a = form.corner(t, 0), b = form.corner(t, 1), c = form.corner(t, 2);
      const low = Math.min(sy[a], sy[b], sy[c]), high = Math.max(sy[a], sy[b], sy[c]);
      let first = 0, end = heights.length;
      while (first < end) { const half = (first + end) >> 1; if (heights[half] < low) first = half + 1; else end = half; }
      for (let n = first; n < heights.length && heights[n] <= high; n++) {
        const k = order[n], px = pixels[k][0], py = pixels[k][1];
        const area = (sx[b] - sx[a]) * (sy[c] - sy[a]) - (sx[c] - sx[a]) * (sy[b] - sy[a]);
        if (area === 0) continue;
        const u = ((sx[b] - px) * (sy[c] - py) - (sx[c] - px) * (sy[b] - py)) / area;
        const v = ((sx[c] - px) * (sy[a] - py) - (sx[a] - px) * (sy[c] - py)) / area;
        if (u < 0 || v < 0 || u + v > 1) continue;
        const away = 1 / (u / sw[a] + v / sw[b] + (1 - u - v) / sw[c]);
        if (away <= 0 || away >= found[k].away) continue;
        found[k] = { row: u >= v && u >= 1 - u - v ? a : v >= 1 - u - v ? b : c, away };
      }
    }
    return found;
  }
  const placeOf = (row) => [form.x[row], form.y[row], form.z[row]].map((v, k) => v * form.side + form.middle[k]);

  function ask(px, py) {
    const [{ row }] = nearestUnder([[px, py]]);
    if (row >= 0) onAsk(row, placeOf(row));
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
    const view = data.views[current], parts = split(view);
    const traces = [mesh(view, parts, "seen"), mesh(view, parts, "unseen")];
    await Plotly.newPlot(stand, traces, layout(), { displayModeBar: false, responsive: true, scrollZoom: true });
    const scene = stand._fullLayout.scene._scene;
    if (!scene || !scene.glplot || !scene.glplot.gl) return false;
    ready = true;
    listen();
    return true;
  }
  return { start, show, turnTo, look, zoom, nearestUnder, projector, matrixNow, now, whenAsked: (f) => { onAsk = f; } };
})();
