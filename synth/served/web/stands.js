// How things stand, in words: the file, a mistake in it, what can be taken back, whether the server is there.
'use strict';

function standing() {
  const { state } = bench;
  if (!bench.linked) return 'The server does not answer. What you hear is the last state; the page looks for the server.';
  if (state.gone) return `${state.file}: ${state.gone}. What you hear is its last state.`;
  if (state.mistake) return `${state.file}, line ${state.mistake.line || '?'}: ${state.mistake.words}. What you hear is the last good state.`;
  return `${state.file} is as you see and hear it.`;
}

function tellStanding() {
  const { state } = bench;
  if (!state) return;
  const words = standing();
  if ($('stands').textContent !== words) $('stands').textContent = words;
  $('stands').classList.toggle('wrong', !bench.linked || Boolean(state.gone || state.mistake));
  $('undo').disabled = !bench.linked || !state.undo || Boolean(state.gone);
  $('redo').disabled = !bench.linked || !state.redo || Boolean(state.gone || state.mistake);
  $('undo').textContent = state.undo ? `Take back (${state.undo})` : 'Take back';
  $('redo').textContent = state.redo ? `Do again (${state.redo})` : 'Do again';
  $('put-back').hidden = !state.gone;
}

bench.on.state.push(tellStanding);
bench.on.link.push(tellStanding);
$('undo').addEventListener('click', () => changed('back'));
$('redo').addEventListener('click', () => changed('forth'));
$('put-back').addEventListener('click', () => changed('put_back'));
addEventListener('keydown', (event) => {
  if (!(event.ctrlKey || event.metaKey) || event.altKey || event.target.matches('input, textarea')) return;
  const key = event.key.toLowerCase();
  if (key !== 'z' && key !== 'y') return;
  event.preventDefault();
  (key === 'y' || event.shiftKey ? $('redo') : $('undo')).click();
});
