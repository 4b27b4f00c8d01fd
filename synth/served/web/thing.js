// Which thing is chosen, and all that can be set of things: asked of the server for every model.
'use strict';

// chosen: {kind: bar | group | tine | board, index | name}; called: its group's name, its tine's number
const things = { told: null, chosen: { kind: 'bar' }, called: {}, shown: null, on: [] };

/** What the server says can be set, of the model that is shown: `text` goes on with what is set in it from here. */
async function askThings() {
  const { model } = HEAD;
  follow();
  const told = await fetchedJson(`things/${model}`);
  if (HEAD.model !== model) return;
  things.told = { ...told, text: model };
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

/** In another model the same is chosen, whatever was put before it; of as many groups, one that has another name. */
function follow() {
  const { chosen: { kind }, called, told } = things;
  if (!told || (kind !== 'group' && kind !== 'tine')) return;
  const group = groupCalled(called.group);
  const tine = tineCalled(group, called.number);
  if (group < 0) {
    if (HEAD.groups.length !== told.groups.length) things.chosen = { kind: 'bar' };
  } else if (kind === 'group' || tine < 0) {
    Object.assign(things.chosen, { kind: 'group', index: group });
  } else {
    things.chosen.index = tine;
  }
}

const groupCalled = (name) => HEAD.groups.findIndex((each) => each.name === name);
const tineCalled = (group, number) => HEAD.picture.findIndex((each) => each.group === group && String(each.number) === String(number));

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
  const { name: called, tines } = HEAD.groups[group];
  things.called = { group: called, number: kind === 'tine' ? HEAD.picture[index].number : null };
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

// by name and number: the lists may be of a model that is shown no longer
const picked = (id) => $(id).selectedOptions[0].textContent;
$('thing').addEventListener('change', () => {
  const [kind, ...words] = $('thing').value.split(' ');
  const index = groupCalled(picked('thing'));
  if (kind !== 'group') choose(kind === 'board' ? { kind, name: words.join(' ') } : { kind });
  else if (index >= 0) choose({ kind, index });
});
$('thing-tine').addEventListener('change', () => {
  const { kind, index } = things.chosen;
  const group = kind === 'tine' ? HEAD.picture[index].group : index;
  const tine = tineCalled(group, picked('thing-tine'));
  if ($('thing-tine').value === '') choose({ kind: 'group', index: group });
  else if (tine >= 0) chooseTine(tine);
});
bench.on.shown.push(() => askThings().catch((failure) => say(failure.message)));
