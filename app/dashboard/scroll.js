// Another page begins at its top: Streamlit leaves the view where the page before was scrolled to.
export default function({ data }) {
  if (window.turnbluePlace === data.place) return;
  const first = window.turnbluePlace === undefined;
  window.turnbluePlace = data.place;
  if (!first) document.querySelector('[data-testid="stMain"]')?.scrollTo(0, 0);
}
