// The compiled functions, their memory, and arrays in it that they and this script both see.

const KINDS = {
  f8: [Float64Array, 8], f4: [Float32Array, 4], i8: [BigInt64Array, 8], i4: [Int32Array, 4], c8: [Float32Array, 4],
};
const BELOW = 1 << 17; // bytes for what the functions keep themselves and for their stack, which grows downward
const PAGE = 1 << 16;

class Compiled {
  /** `functions`: names to [[argument, kind], ...], as the page's maker lists them. */
  constructor(module, functions) {
    this.memory = new WebAssembly.Memory({ initial: 64 });
    this.top = BELOW;
    const env = { __linear_memory: this.memory, __stack_pointer: new WebAssembly.Global({ value: 'i32', mutable: true }, BELOW) };
    for (const each of WebAssembly.Module.imports(module)) if (each.kind === 'function') env[each.name] = Math[each.name];
    this.exports = new WebAssembly.Instance(module, { env }).exports;
    this.functions = functions;
    this.result = this.array('i4', 2);
  }

  /** An array of zeros: its numbers at `.at`, whose view is made anew when the memory has grown. */
  array(kind, ...shape) {
    const [, bytes] = KINDS[kind];
    const items = shape.reduce((a, b) => a * b, 1);
    const address = this.top;
    this.top = (this.top + items * bytes + 15) & ~15;
    const missing = this.top - this.memory.buffer.byteLength;
    if (missing > 0) this.memory.grow(Math.ceil(missing / PAGE) + 64);
    return new Shared(this.memory, kind, shape, address);
  }

  /** The same, filled with numbers. */
  put(kind, values, ...shape) {
    const array = this.array(kind, ...(shape.length ? shape : [values.length]));
    array.at.set(values);
    return array;
  }

  /** A function with its arguments by name laid out once: what is returned calls it. */
  bind(name, given) {
    const words = [this.result.address, 0];
    const slots = {};
    for (const [argument, kind] of this.functions[name]) {
      const value = given[argument];
      if (kind.endsWith(']')) words.push(...value.words());
      else {
        slots[argument] = words.length;
        words.push(kind === 'i8' ? BigInt(value ?? 0) : (value ?? 0));
      }
    }
    const call = this.exports[name];
    const bound = () => { call(...words); return this.result.at[0]; };
    bound.set = (argument, value) => {
      const slot = slots[argument];
      words[slot] = typeof words[slot] === 'bigint' ? BigInt(value) : value;
      return bound;
    };
    bound.get = (argument) => Number(words[slots[argument]]);
    return bound;
  }
}

class Shared {
  constructor(memory, kind, shape, address) {
    Object.assign(this, { memory, kind, shape, address });
    this.items = shape.reduce((a, b) => a * b, 1);
    this.view = null;
  }

  get at() {
    if (!this.view || this.view.buffer !== this.memory.buffer) this.view = new KINDS[this.kind][0](this.memory.buffer, this.address, this.items);
    return this.view;
  }

  /** A part of it along its first direction, from `first` on. */
  from(first, count) {
    const row = this.items / this.shape[0];
    return new Shared(this.memory, this.kind, [count, ...this.shape.slice(1)], this.address + first * row * KINDS[this.kind][1]);
  }

  /** As a compiled function takes it: see wasm.py. */
  words() {
    const bytes = KINDS[this.kind][1];
    const strides = [];
    let step = bytes;
    for (const length of [...this.shape].reverse()) { strides.unshift(BigInt(step)); step *= length; }
    return [0, 0, BigInt(this.items), BigInt(bytes), this.address, ...this.shape.map(BigInt), ...strides];
  }
}
