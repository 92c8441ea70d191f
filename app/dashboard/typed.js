// Numbers are kept as they are typed: Streamlit sends one when its field is left, and a phone that dies leaves none.
// A pause in typing counts as Enter does, where the number reads the same once it is sent: "7." is still being typed.
export default function() {
  if (window.turnblueTyped) return;
  window.turnblueTyped = true;
  const waiting = new WeakMap();
  document.addEventListener("input", (each) => {
    const field = each.target;
    if (!(field instanceof HTMLInputElement) || !field.closest('[data-testid="stNumberInput"]')) return;
    if (!field.closest('[class*="st-key-typed-"]')) return;
    clearTimeout(waiting.get(field));
    waiting.set(field, setTimeout(() => {
      if (field.value !== "" && String(Number(field.value)) !== field.value) return;
      field.dispatchEvent(new KeyboardEvent("keydown", { key: "Enter", code: "Enter", keyCode: 13, bubbles: true }));
    }, 700));
  }, true);
}
