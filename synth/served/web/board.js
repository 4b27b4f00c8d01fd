// A board from above, its feet to be dragged; and what is known of it.
'use strict';

const SVG = 'http://www.w3.org/2000/svg';

function shape(tag, attributes) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  return element;
}

function boardLines(name) {
  const { told } = things;
  const board = told.boards[name];
  const words = made('pre', { tabIndex: 0, textContent: 'Asking what is known of it …', id: 'board-words' });
  askBoard(name, words, told);
  return [...board.fields.map(fieldLine), boardPlan(board, told), ...board.feet.flat().map(fieldLine), words];
}

async function askBoard(name, words, { model }) {
  try {
    words.textContent = (await fetchedJson(`board/${model}/${encodeURIComponent(name)}`)).words;
  } catch (failure) {
    words.textContent = failure.message;
  }
}

/** Length to the right, width up, in mm. */
function boardPlan({ length_mm: length, width_mm: width, feet }, told = things.told) {
  const plan = shape('svg', { id: 'board-plan', viewBox: `0 0 ${length} ${width}`, role: 'img' });
  plan.setAttribute('aria-label', 'The board from above with its feet; drag them, or set their places below');
  const size = Math.max(8, length / 40);
  feet.forEach((fields, n) => {
    const [, x, y] = fields;
    const foot = shape('circle', { class: 'foot', cx: x.value, cy: width - y.value, r: size });
    foot.append(Object.assign(shape('title', {}), { textContent: `Foot ${n + 1}` }));
    foot.addEventListener('pointerdown', (event) => dragFoot(event, { plan, foot, x, y, length, width, told }));
    plan.append(foot);
  });
  return plan;
}

function dragFoot(event, { plan, foot, x, y, length, width, told = things.told }) {
  event.preventDefault();
  foot.setPointerCapture(event.pointerId);
  const box = plan.getBoundingClientRect();
  const scale = Math.min(box.width / length, box.height / width);
  const from = [event.clientX, event.clientY];
  let to = [x.value, y.value];
  const half = (value, most) => Math.min(most, Math.max(0, halves(value / 1000)));
  foot.onpointermove = (move) => {
    to = [half(x.value + (move.clientX - from[0]) / scale, length), half(y.value - (move.clientY - from[1]) / scale, width)];
    foot.setAttribute('cx', to[0]);
    foot.setAttribute('cy', width - to[1]);
    $('foreseen').textContent = `${lengthSaid(to[0])} along the board, ${lengthSaid(to[1])} across it`;
  };
  foot.onpointerup = async () => {
    foot.onpointermove = foot.onpointerup = null;
    if (to[0] === x.value && to[1] === y.value) return;
    if (await set([...editsOf(x.slot, to[0]), ...editsOf(y.slot, to[1])], told)) [x.value, y.value] = to;
    else showFields();
  };
}
