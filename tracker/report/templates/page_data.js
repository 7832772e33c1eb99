"use strict";
// Unpacks the figures of the page. No text from here ever becomes HTML.
const data = JSON.parse(document.getElementById("data").textContent);

function unpack(text, Kind) {
  const raw = atob(text);
  const bytes = new Uint8Array(raw.length);
  for (let k = 0; k < raw.length; k++) bytes[k] = raw.charCodeAt(k);
  return new Kind(bytes.buffer);
}

const NOTHING = -32768, SURE = 8, AT_LEAST = 16, DOUBTFUL = 32, STATE = 7;
const FEWEST_PHOTOS = 3;

const form = (() => {
  const count = data.form.count;
  const places = unpack(data.form.places, Uint16Array);
  const axis = (k) => {
    const unit = new Float32Array(count);
    for (let i = 0; i < count; i++) unit[i] = places[k * count + i] / 65535 - 0.5;
    return unit;
  };
  const faces = unpack(data.form.faces, Uint32Array);
  const triangles = faces.length / 3;
  // the cube round the model becomes -0.5..0.5, so that every side shows one scale
  return {
    count, triangles, x: axis(0), y: axis(1), z: axis(2), faces,
    middle: data.form.cube.slice(0, 3), side: data.form.cube[3],
    corner: (triangle, k) => faces[k * triangles + triangle],
    unit: (place) => place.map((v, k) => (v - data.form.cube[k]) / data.form.cube[3]),
  };
})();

const layers = {};
for (const [name, layer] of Object.entries(data.layers)) {
  layers[name] = {
    mm: unpack(layer.mm, Int16Array),
    u95: unpack(layer.u95, Int16Array),
    code: unpack(layer.code, Uint8Array),
  };
}

const viewers = (() => {
  const bits = unpack(data.seenBy.bits, Uint8Array);
  const width = data.seenBy.bytes;
  const sees = (row, k) => (bits[row * width + (k >> 3)] >> (k & 7)) & 1;
  return {
    names: (row) => data.viewers.filter((_, k) => sees(row, k)),
    count: (row) => {
      let found = 0;
      for (let k = 0; k < data.viewers.length; k++) found += sees(row, k);
      return found;
    },
  };
})();

// Place on the colour scale of a row's figure, or NaN where it has none.
function shade(view, row) {
  const layer = layers[view.layer];
  if (layer.mm[row] === NOTHING) return NaN;
  const mm = layer.mm[row] / 100, u95 = layer.u95[row] / 100;
  let value = 0;
  if (view.figure === "left") value = layer.code[row] & DOUBTFUL ? 0 : mm;
  else if (view.figure === "removed") value = mm > u95 ? mm : 0;
  else if (view.figure === "u95") value = u95;
  const root = Math.sign(value) * Math.sqrt(Math.abs(value));
  return Math.min(Math.max(root, view.low), view.high);
}

// A row's figure in words.
function inWords(layer, row) {
  const figures = layers[layer];
  if (!figures || figures.mm[row] === NOTHING) return null;
  const mm = figures.mm[row] / 100, code = figures.code[row];
  return {
    mm, u95: figures.u95[row] / 100, bound: Boolean(code & AT_LEAST),
    sure: Boolean(code & SURE), state: data.states[code & STATE],
  };
}
