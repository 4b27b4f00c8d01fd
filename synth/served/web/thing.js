// Which thing is chosen, and all that can be set of things: asked of the server for every model.
'use strict';

const things = { told: null, chosen: { kind: 'bar' }, on: [] }; // chosen: {kind: bar | group | tine | board, index | name}

/** What the server says can be set, of the model that is shown. */
async function askThings() {
  const { model } = HEAD;
  const told = await fetchedJson(`things/${model}`);
  if (HEAD.model !== model) return;
  things.told = told;
  offerThings();
  for (const each of things.on) each();
}

/** Also from a server that goes meanwhile: coming back with the same model, it would not be asked again. */
async function fetchedJson(name) {
  return JSON.parse(new TextDecoder().decode(await awaited(name)));
}

function offerThings() {
  const { groups, boards } = things.told;
  $('thing').replaceChildren(
    new Option('The bar', 'bar'),
    optionsOf('Groups', groups.map(({ name }, g) => new Option(name, `group ${g}`))),
    optionsOf('Boards', Object.keys(boards).map((name) => new Option(name, `board ${name}`))),
  );
  if (!stillThere()) things.chosen = { kind: 'bar' };
  showChoice();
}

function optionsOf(label, options) {
  const group = Object.assign(document.createElement('optgroup'), { label });
  group.append(...options);
  return group;
}

function stillThere() {
  const { kind, index, name } = things.chosen;
  if (kind === 'group') return index < things.told.groups.length;
  if (kind === 'tine') return index < HEAD.picture.length;
  return kind === 'bar' || name in things.told.boards;
}

/** The two lists say what is chosen. */
function showChoice() {
  const { kind, index, name } = things.chosen;
  const group = kind === 'group' ? index : kind === 'tine' ? HEAD.picture[index].group : null;
  $('thing').value = kind === 'bar' ? 'bar' : kind === 'board' ? `board ${name}` : `group ${group}`;
  $('which').hidden = group === null;
  if (group === null) return;
  const { tines } = HEAD.groups[group];
  $('thing-tine').replaceChildren(new Option('all', ''), ...tines.map((r) => new Option(HEAD.picture[r].number, r)));
  $('thing-tine').value = kind === 'tine' ? index : '';
}

function choose(chosen) {
  things.chosen = chosen;
  showChoice();
  for (const each of things.on) each();
}

function chooseTine(r) {
  showTine(r);
  choose({ kind: 'tine', index: r });
}

$('thing').addEventListener('change', () => {
  const [kind, ...words] = $('thing').value.split(' ');
  choose(kind === 'group' ? { kind, index: Number(words[0]) } : kind === 'board' ? { kind, name: words.join(' ') } : { kind });
});
$('thing-tine').addEventListener('change', () => {
  const { kind, index } = things.chosen;
  const group = kind === 'tine' ? HEAD.picture[index].group : index;
  if ($('thing-tine').value === '') choose({ kind: 'group', index: group });
  else chooseTine(Number($('thing-tine').value));
});
bench.on.shown.push(() => askThings().catch((failure) => say(failure.message)));
