// The lists: points that filter and sort, photographs that open large.
const lists = (() => {
  const body = document.getElementById("rows");
  const rows = body ? [...body.rows] : [];
  const find = document.getElementById("find");
  const boxes = [...document.querySelectorAll("input[name=state]")];

  function filter() {
    const words = find.value.trim().toLocaleLowerCase();
    const states = new Set(boxes.filter((box) => box.checked).map((box) => box.value));
    let shown = 0;
    for (const row of rows) {
      const text = `${row.dataset.name} ${row.dataset.state} ${row.dataset.advice}`.toLocaleLowerCase();
      row.hidden = !states.has(row.dataset.state) || !text.includes(words);
      shown += row.hidden ? 0 : 1;
    }
    document.getElementById("shown").textContent = `${shown} of ${rows.length} points`;
  }

  const figures = new Set(["mm", "u95", "sure", "photos"]);
  const order = { state: (row) => data.states.indexOf(row.dataset.state) };
  function compare(key, one, other) {
    if (order[key]) return order[key](one) - order[key](other);
    const a = one.dataset[key], b = other.dataset[key];
    return figures.has(key) ? a - b : a.localeCompare(b, undefined, { numeric: true });
  }
  // Up, down, then as listed; what has no figure always comes last.
  function sort(button) {
    const head = button.closest("th"), key = button.dataset.sort;
    const next = { ascending: "descending", descending: "none" }[head.getAttribute("aria-sort")] || "ascending";
    for (const other of head.parentNode.cells) other.removeAttribute("aria-sort");
    if (next !== "none") head.setAttribute("aria-sort", next);
    const sign = next === "descending" ? -1 : 1;
    const empty = (row) => (row.dataset[key] === "" ? 1 : 0);
    const sorted = [...rows].sort((a, b) => {
      const listed = a.dataset.rank - b.dataset.rank;
      if (next === "none") return listed;
      return empty(a) - empty(b) || (empty(a) ? 0 : sign * compare(key, a, b)) || listed;
    });
    body.append(...sorted);
  }

  function mark(index) {
    for (const row of rows) {
      if (Number(row.dataset.row) === index) row.setAttribute("aria-current", "true");
      else row.removeAttribute("aria-current");
    }
  }
  function markPhotos(names) {
    const seeing = new Set(names);
    for (const item of document.querySelectorAll(".photos li")) item.classList.toggle("sees", seeing.has(item.dataset.file));
  }

  const large = document.getElementById("large");
  function open(link) {
    const image = large.querySelector("img"), note = document.getElementById("large-note");
    const small = document.getElementById(link.dataset.small);
    note.hidden = true;
    image.alt = small.alt;
    image.onerror = () => {
      image.onerror = null;
      image.src = small.src;
      note.textContent = `The large picture ${decodeURIComponent(link.getAttribute("href"))} is not beside this page any more. This is its small copy.`;
      note.hidden = false;
    };
    image.src = link.href;
    large.showModal();
  }

  function listen(onPoint) {
    if (body) {
      find.addEventListener("input", filter);
      boxes.forEach((box) => box.addEventListener("change", filter));
      document.querySelectorAll("[data-sort]").forEach((button) => button.addEventListener("click", () => sort(button)));
      body.addEventListener("click", (e) => {
        const row = e.target.closest("tr");
        if (row) onPoint(Number(row.dataset.row));
      });
    }
    document.querySelectorAll(".photos a").forEach((link) => link.addEventListener("click", (e) => {
      if (e.ctrlKey || e.metaKey || e.shiftKey) return;
      e.preventDefault();
      open(link);
    }));
  }
  return { listen, mark, markPhotos, rows };
})();
