// Ties the figure, its switches and the lists together.
(() => {
  const here = document.getElementById("here");
  const make = (tag, text, name) => {
    const node = document.createElement(tag);
    if (text !== undefined) node.textContent = text;
    if (name) node.className = name;
    return node;
  };
  // adding zero takes the minus off a rounded -0.0
  const tenths = (value) => (Math.round(value * 10) / 10 + 0).toFixed(1);
  const mm = (value, bound) => `${bound ? (value >= 0 ? "at least " : "at most ") : ""}${tenths(value)} mm`;
  const key = (state) => `dot state-${state.replace(" ", "-")}`;

  function tell(state, lead, lines) {
    const title = make("p", undefined, "lead");
    title.append(make("b", undefined, key(state)), make("span", lead));
    const list = make("dl");
    for (const [name, value] of lines) list.append(make("dt", name), make("dd", value));
    here.replaceChildren(title, list);
  }

  function unseenWords(photos) {
    return photos < FEWEST_PHOTOS
      ? "Fewer than three photographs look at it. Stand so that you look straight at it."
      : "The photographs do not settle it. Take it with the needle.";
  }
  const listed = (names) => (names.length ? `${names.length}: ${names.join(", ")}` : "none");

  // A tap on the figure.
  function askRow(row, place) {
    marks.ringAt(place);
    const names = viewers.names(row), found = inWords("now", row), lines = [];
    if (found) {
      lines.push(["U95", `${found.u95.toFixed(1)} mm`], ["state", `${found.state}, ${found.sure ? "sure" : "not sure: check with the needle"}`]);
    } else lines.push(["why", unseenWords(names.length)]);
    const before = inWords("before", row), removed = inWords("removed", row);
    if (data.earlier) lines.push([data.earlier, before ? `${mm(before.mm, before.bound)}, U95 ${before.u95.toFixed(1)} mm` : "not seen"]);
    if (removed) lines.push(["removed since", removedWords(removed)]);
    lines.push(["photographs", listed(names)]);
    const lead = !found ? "Not seen" : found.mm < 0 && found.state === "over-cut" ? `${mm(found.mm, found.bound)}: too deep` : `${mm(found.mm, found.bound)} left`;
    tell(found ? found.state : "not seen", lead, lines);
    lists.markPhotos(names);
    lists.mark(-1);
  }
  function removedWords(found) {
    if (Math.abs(found.mm) <= found.u95) return `no change that can be told (U95 ${found.u95.toFixed(1)} mm)`;
    if (found.mm < 0) return `${found.mm.toFixed(1)} mm: stone cannot grow, one of the two days is wrong here. Check with the needle.`;
    return `${mm(found.mm, found.bound)}, U95 ${found.u95.toFixed(1)} mm`;
  }

  function bringUp() {
    const box = stand.getBoundingClientRect();
    if (box.top < 0 || box.bottom > innerHeight) stand.closest(".figure-card").scrollIntoView({ block: "start" });
  }

  function turnTo({ at, toward }) {
    if (document.body.dataset.drawn !== "yes") return;
    bringUp();
    figure.turnTo(at, toward);
    marks.ringAt(at);
  }

  function toPoint(index) {
    const point = data.points[index];
    const cells = lists.rows.find((row) => Number(row.dataset.row) === index);
    const left = cells.cells[1].textContent.trim(), d = cells.dataset;
    const lines = [["point", point.name]];
    if (d.u95 !== "") lines.push(["U95", `${Number(d.u95).toFixed(1)} mm`]);
    lines.push(["state", d.mm === "" ? d.state : `${d.state}, ${d.sure === "1" ? "sure" : "not sure"}`]);
    if (d.advice) lines.push(["mind", d.advice]);
    lines.push(["photographs", d.photos]);
    tell(point.state, d.mm === "" ? "Not seen" : point.state === "over-cut" ? `${left} mm: too deep` : `${left} mm left`, lines);
    lists.mark(index);
    lists.markPhotos([]);
    turnTo(point);
  }

  function toFlag(id) {
    const flag = data.flags.find((f) => f.id === id);
    const button = document.querySelector(`[data-flag="${id}"]`);
    const words = button.querySelector("span");
    tell("over-cut", `Flag ${flag.id}`, [["spot", words.firstChild.textContent], ["trend", words.querySelector("em").textContent]]);
    lists.mark(-1);
    turnTo(flag);
  }

  function show(view) {
    for (const scale of document.querySelectorAll(".scale")) scale.hidden = scale.dataset.view !== view;
    const label = document.querySelector(`input[name=view][value=${view}]`).nextElementSibling.textContent;
    stand.setAttribute("aria-label", `The figure, coloured by: ${label}`);
    document.body.dataset.shown = "";
    // let the switch itself be painted first
    requestAnimationFrame(() => setTimeout(() => figure.show(view).then(() => { document.body.dataset.shown = view; }), 0));
  }

  figure.whenAsked(askRow);
  lists.listen(toPoint);
  document.querySelectorAll("[data-flag]").forEach((b) => b.addEventListener("click", () => toFlag(Number(b.dataset.flag))));
  document.querySelectorAll("[data-zoom]").forEach((b) => b.addEventListener("click", () => figure.zoom(Number(b.dataset.zoom))));
  document.querySelectorAll("[data-side]").forEach((b) => b.addEventListener("click", () => figure.look(data.sides[b.dataset.side], 1.3)));
  document.querySelectorAll("input[name=view]").forEach((radio) => radio.addEventListener("change", () => show(radio.value)));
  document.getElementById("show-points").addEventListener("change", (e) => marks.show("points", e.target.checked));
  document.getElementById("show-flags").addEventListener("change", (e) => marks.show("flags", e.target.checked));

  // the words are on the screen before the figure is set up
  requestAnimationFrame(() => setTimeout(async () => {
    let drawn = false;
    try { drawn = await figure.start(); } catch (error) { console.warn(error); }
    if (drawn) marks.start(toFlag);
    document.getElementById("wait").hidden = true;
    document.getElementById("no-figure").hidden = drawn;
    document.body.classList.toggle("no-figure", !drawn);
    document.body.dataset.drawn = drawn ? "yes" : "no";
    document.body.dataset.shown = document.querySelector("input[name=view]:checked").value;
  }, 0));
})();
