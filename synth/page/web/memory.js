// The compiled functions, their memory, and arrays in it that they and this script both see.
'use strict';

const KINDS = { f8: [Float64Array, 8], f4: [Float32Array, 4], i8: [BigInt64Array, 8], i4: [Int32Array, 4] };
const BELOW = 1 << 17; // bytes for what the functions keep themselves and for their stack, which grows downward
const PAGE = 1 << 16;

/** Numbers in the functions' memory: `.at` is a view of them, made anew when the memory has grown. */
class Shared {
  constructor(memory, kind, shape, address) {
    Object.assign(this, { memory, kind, shape, address, view: null });
    this.items = shape.reduce((a, b) => a * b, 1);
  }

  get at() {
    if (this.view?.buffer !== this.memory.buffer) {
      this.view = new KINDS[this.kind][0](this.memory.buffer, this.address, this.items);
    }
    return this.view;
  }

  /** As a compiled function takes an array: see wasm.py. */
  words() {
    const bytes = KINDS[this.kind][1];
    const strides = [];
    let step = bytes;
    for (const length of [...this.shape].reverse()) {
      strides.unshift(BigInt(step));
      step *= length;
    }
    return [0, 0, BigInt(this.items), BigInt(bytes), this.address, ...this.shape.map(BigInt), ...strides];
  }
}

/** A stretch of memory that arrays are laid into, one behind the other; it can be cleared and used again. */
class Arena {
  constructor(memory, start, bytes = Infinity) {
    Object.assign(this, { memory, start, top: start, end: start + bytes });
  }

  clear() {
    this.top = this.start;
  }

  /** An array, zeros in memory that was never used. */
  array(kind, ...shape) {
    const address = this.top;
    this.top = (address + shape.reduce((a, b) => a * b, KINDS[kind][1]) + 15) & ~15;
    if (this.top > this.end) throw new RangeError('a stroke over more tines than there is room for');
    const missing = this.top - this.memory.buffer.byteLength;
    if (missing > 0) this.memory.grow(Math.ceil(missing / PAGE) + 64);
    return new Shared(this.memory, kind, shape, address);
  }

  put(kind, values, ...shape) {
    const array = this.array(kind, ...(shape.length ? shape : [values.length]));
    array.at.set(values);
    return array;
  }
}

class Compiled {
  /** `functions`: names to [[argument, kind], ...], as the page's maker lists them. */
  constructor(module, functions) {
    this.memory = new WebAssembly.Memory({ initial: 64 });
    const pointer = new WebAssembly.Global({ value: 'i32', mutable: true }, BELOW);
    const env = { __linear_memory: this.memory, __stack_pointer: pointer };
    for (const each of WebAssembly.Module.imports(module)) if (each.kind === 'function') env[each.name] = Math[each.name];
    this.exports = new WebAssembly.Instance(module, { env }).exports;
    this.functions = functions;
    this.arena = new Arena(this.memory, BELOW);
    this.result = this.arena.array('i8', 2);
  }

  /** A function with its arguments by name laid out once: what is returned calls it, `set` changes a number. */
  bind(name, given) {
    const words = [this.result.address, 0];
    const slots = {};
    for (const [argument, kind] of this.functions[name]) {
      const value = given[argument];
      if (value === undefined && kind.endsWith(']')) throw new TypeError(`${name}: no ${argument}`);
      if (kind.endsWith(']')) words.push(...value.words());
      else {
        slots[argument] = words.length;
        words.push(kind === 'i8' ? BigInt(value ?? 0) : (value ?? 0));
      }
    }
    const call = this.exports[name];
    const bound = () => {
      call(...words);
      return Number(this.result.at[0]);
    };
    bound.set = (argument, value) => {
      const slot = slots[argument];
      words[slot] = typeof words[slot] === 'bigint' ? BigInt(value) : value;
      return bound;
    };
    bound.get = (argument) => Number(words[slots[argument]]);
    return bound;
  }

  call(name, given) {
    return this.bind(name, given)();
  }
}

/** What the page carries, unpacked: arrays by what the header says of them. */
class Content {
  constructor(head, bytes) {
    Object.assign(this, { head, bytes });
  }

  /** Plain numbers. */
  numbers(told) {
    const count = told.shape.reduce((a, b) => a * b, 1);
    if (told.kind === 'f8') return new Float64Array(this.bytes, told.at, count);
    if (told.kind === 'f4') return new Float32Array(this.bytes, told.at, count);
    if (told.kind === 'i8') return new Int32Array(this.bytes, told.at, count);
    return this.rounded(told, count);
  }

  /** In the functions' memory, as `kind`. */
  put(arena, kind, told) {
    const array = arena.array(kind, ...told.shape);
    const numbers = this.numbers(told);
    if (kind === 'i8') array.at.set(BigInt64Array.from(numbers, BigInt));
    else array.at.set(numbers);
    return array;
  }

  /** Complex numbers of few digits: blob.Rounded. */
  rounded(told, count) {
    const [rows, , modes] = told.shape;
    const scale = new Float32Array(this.bytes, told.scale, rows);
    const power = new Int8Array(this.bytes, told.at, rows * modes);
    const low = new Uint8Array(this.bytes, told.at + rows * modes, count);
    const high = new Int8Array(this.bytes, told.at + rows * modes + count, count);
    const values = new Float32Array(count);
    const steps = Float64Array.from({ length: 256 }, (_, n) => 2 ** (n - 128 - told.bits));
    for (let row = 0, i = 0; row < rows; row++) {
      for (let part = 0; part < 2; part++) {
        for (let m = 0; m < modes; m++, i++) {
          values[i] = (low[i] + 256 * high[i]) * steps[power[row * modes + m] + 128] * scale[row];
        }
      }
    }
    return values;
  }
}
