// Two pictures, one over the other, and a line between them that is drawn aside by finger, mouse or arrow keys.
// `said` holds before and now (addresses of pictures), beforeLabel and nowLabel, and label (what the slider is for).
function buildCompare(parent, said) {
  const make = (tag, name, words) => {
    const made = document.createElement(tag);
    made.className = name;
    if (words) made.textContent = words;
    return made;
  };
  const root = make("div", "compare");
  for (const [name, label] of [["now", said.nowLabel], ["before", said.beforeLabel]]) {
    const picture = make("img", name);
    picture.src = said[name];
    picture.alt = label;
    picture.draggable = false;
    root.append(picture, make("span", `tag ${name}`, label));
  }
  const range = make("input", "range");
  Object.assign(range, { type: "range", min: 0, max: 100, step: 1, value: 50 });
  range.setAttribute("aria-label", said.label);
  const show = () => {
    root.style.setProperty("--cut", `${range.value}%`);
    range.setAttribute("aria-valuetext", `${said.beforeLabel} ${range.value} %, ${said.nowLabel} ${100 - range.value} %`);
  };
  const move = (event) => {
    const box = root.getBoundingClientRect();
    range.value = Math.round((100 * (event.clientX - box.left)) / box.width);
    show();
  };
  range.addEventListener("input", show);
  root.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    root.setPointerCapture(event.pointerId);
    range.focus({ preventScroll: true });
    event.preventDefault();
    move(event);
  });
  root.addEventListener("pointermove", (event) => {
    if (root.hasPointerCapture(event.pointerId)) move(event);
  });
  root.append(make("span", "bar"), range);
  parent.replaceChildren(root);
  show();
  return root;
}
