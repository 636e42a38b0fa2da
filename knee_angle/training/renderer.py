"""Draws scenes with OpenGL, without a display (EGL): on a GPU, or by Mesa on a CPU."""

from __future__ import annotations

from typing import Any

import moderngl
import numpy as np
from numpy.typing import NDArray

from knee_angle.training.clothes import AROUND, Shell
from knee_angle.training.posing import unit
from knee_angle.training.scene import Camera, Light, Scene
from knee_angle.training.shaders import BODY_VERTEX, FRAGMENT, SOUP_VERTEX

__all__ = ["Renderer", "orthographic"]

Floats = NDArray[np.float64]
SUN_MAP, TOP_MAP = 1024, 512


def orthographic(
    axes: tuple[Floats, Floats, Floats], centre: Floats, wide: float, deep: float
) -> Floats:
    """Clip matrix of a view along minus the third axis, for shadow maps, shape (4, 4)."""
    matrix = np.eye(4)
    matrix[0, :3], matrix[1, :3], matrix[2, :3] = axes[0] / wide, axes[1] / wide, -axes[2] / deep
    matrix[:3, 3] = -matrix[:3, :3] @ centre
    return matrix


class Renderer:
    """One OpenGL context with its programs and shadow maps.

    Parameters
    ----------
    size : int
        Edge of the square canvas, pixels.
    pictures : ndarray, shape (N, H, W, 3), uint8
        What materials with a picture show.
    samples : int
        Samples per pixel.
    device : int
        Place of the GPU among those that EGL lists.
    """

    def __init__(
        self, *, size: int, pictures: NDArray[np.uint8], samples: int = 4, device: int = 0
    ) -> None:
        self.size = size
        # Its types name no keyword of the backends.
        create: Any = moderngl.create_standalone_context
        c: Any = create(backend="egl", device_index=device)
        self.context = c
        self.body = c.program(vertex_shader=BODY_VERTEX, fragment_shader=FRAGMENT)
        self.soup = c.program(vertex_shader=SOUP_VERTEX, fragment_shader=FRAGMENT)
        shape = (size, size)
        self.canvas: Any = c.framebuffer(
            [c.renderbuffer(shape, 4, samples=samples)],
            c.depth_renderbuffer(shape, samples=samples),
        )
        self.resolved = c.framebuffer([c.renderbuffer(shape, 4)])
        self.sun_depth, self.top_depth = (self._depth_map(n) for n in (SUN_MAP, TOP_MAP))
        self.sun_buffer = c.framebuffer(depth_attachment=self.sun_depth)
        self.top_buffer = c.framebuffer(depth_attachment=self.top_depth)
        stack = (pictures.shape[2], pictures.shape[1], len(pictures))
        self.pictures = c.texture_array(stack, 3, np.ascontiguousarray(pictures).tobytes())
        self.pictures.build_mipmaps()
        self.pictures.filter = (moderngl.LINEAR_MIPMAP_LINEAR, moderngl.LINEAR)

    def _depth_map(self, edge: int) -> Any:
        """A depth texture that is read as plain numbers."""
        texture = self.context.depth_texture((edge, edge))
        texture.compare_func = ""
        texture.filter = (moderngl.LINEAR, moderngl.LINEAR)
        texture.repeat_x = texture.repeat_y = False
        return texture

    def _put(self, **values: object) -> None:
        """Sets uniforms in both programs; a name that a program lacks is left out."""
        for program in (self.body, self.soup):
            for name, value in values.items():
                if name not in program:
                    continue
                slot: Any = program[name]
                if isinstance(value, np.ndarray) and value.shape == (4, 4):
                    slot.write(value.T.astype("f4").tobytes())
                elif isinstance(value, np.ndarray | tuple | list):
                    slot.value = tuple(float(v) for v in value)
                else:
                    slot.value = value

    def render(
        self, scene: Scene, shots: list[tuple[Camera, Light]], rng: np.random.Generator
    ) -> list[NDArray[np.uint8]]:
        """One RGB picture for each camera and light, shape (size, size, 3).

        ``rng`` draws what is on the surface only: marks on the skin, hair, noise.
        """
        c: Any = self.context
        buffers: list[Any] = [c.buffer(scene.soup.tobytes())]
        layout: list[Any] = [(buffers[0], "3f 3f 3f 3f 4f", "pos", "nrm", "ca", "cb", "par")]
        arrays: list[Any] = [c.vertex_array(self.soup, layout)] if len(scene.soup) else []
        body_array = None
        if scene.person is not None:
            p = scene.person
            packed = np.c_[p.vertices, p.normals, p.body.regions].astype("f4")
            buffers += [
                c.buffer(packed.tobytes()),
                c.buffer(p.body.triangles.astype("i4").tobytes()),
            ]
            layout = [(buffers[1], "3f 3f 4f", "pos", "nrm", "reg")]
            body_array = c.vertex_array(self.body, layout, buffers[2])
            self._put_skin(scene, rng)
        pictures = [
            self._shoot(scene, camera, light, (arrays, body_array), rng) for camera, light in shots
        ]
        for thing in (*arrays, *([body_array] if body_array else []), *buffers):
            thing.release()
        return pictures

    def _put_skin(self, scene: Scene, rng: np.random.Generator) -> None:
        """Marks on the skin: bruises, redness, a scar with stitches, hair."""
        if scene.person is None:
            return
        u, leg, body = rng.uniform, scene.person.leg, scene.person.body
        front = leg.knee + (leg.thigh_front + leg.shank_front) * 0.5 * u(0.04, 0.07)
        marks = (
            u(0, 1) * (rng.random() < 0.35),
            u(0, 1) * (rng.random() < 0.4),
            float(scene.lying and rng.random() < 0.2),
            u(0, 0.6) * (rng.random() < 0.4),
        )
        top = float(body.regions[:, 0].min())
        hair = (top + u(0.05, 0.16), u(0.01, 0.5), u(0.01, 0.4), float(rng.random() < 0.8))
        shin = unit(leg.thigh + leg.shank + 1e-6)
        self._put(knee=front, knee_axis=leg.normal, shin=shin, marks=marks, hair=hair)
        second = scene.skin * u(0.8, 1.05) * np.array([1, 0.93, 0.9])
        self._skin = np.r_[scene.skin, second, 0, u(3, 12), u(0.05, 0.35), u(0.02, 0.5)]

    def _draw_body(self, array: Any, shell: Shell | None) -> None:
        """The bare body, or one garment."""
        material = self._skin if shell is None else shell.material
        self._put(
            cut=0 if shell is None else shell.cut,
            skin=int(shell is None),
            offset=0.0 if shell is None else shell.offset,
            waves=0.0 if shell is None else shell.waves,
            span=(0, 0, 0, 0) if shell is None else shell.span,
            limits=(0, 0) if shell is None else shell.limits,
            folds=(0, 1, 0) if shell is None else shell.folds,
            colour_a=material[:3],
            colour_b=material[3:6],
            pattern=material[6:],
        )
        array.render()

    def _draw(self, scene: Scene, arrays: tuple[list[Any], Any], *, depth_only: bool) -> None:
        """Everything once, into the buffer in use."""
        soups, body = arrays
        self._put(depth_only=int(depth_only), cut=0, skin=0, folds=(0, 1, 0))
        for array in soups:
            array.render()
        if body is None:
            return
        self._draw_body(body, None)
        for shell in scene.shells:
            if not depth_only or shell.cut == AROUND:
                self._draw_body(body, shell)

    def _put_light(self, scene: Scene, light: Light, seed: float) -> tuple[Floats, Floats]:
        """Light as uniforms; returns the views of both shadow maps."""
        z = light.sun_from
        x = unit(np.cross(z, [0.1, 1, 0.2]))
        centre = np.array([0.3, 0, 0.1])
        if not scene.lying and scene.person is not None:
            centre = scene.person.vertices.mean(0)
        sun_view = orthographic((x, np.cross(z, x), z), centre, 1.2, 2.5)
        axes = np.eye(3)
        top_view = orthographic((axes[0], axes[1], axes[2]), centre + [0, 0.1, 0.2], 1.3, 1.6)
        self._put(
            sun_from=light.sun_from,
            sun=light.sun,
            sky=light.sky,
            ground=light.ground,
            lamp_at=light.lamp_at,
            lamp=light.lamp,
            softness=light.softness,
            shade=light.ambient_shade * (1.0 if scene.lying else 0.5),
            seed=seed,
            sun_view=sun_view,
            top_view=top_view,
            sun_depth=0,
            top_depth=1,
            pictures=2,
        )
        return sun_view, top_view

    def _shoot(
        self,
        scene: Scene,
        camera: Camera,
        light: Light,
        arrays: tuple[list[Any], Any],
        rng: np.random.Generator,
    ) -> NDArray[np.uint8]:
        """Shadow maps, then the picture; outside the camera's window a plain border."""
        c: Any = self.context
        c.enable(moderngl.DEPTH_TEST)
        c.disable(moderngl.CULL_FACE)
        sun_view, top_view = self._put_light(scene, light, float(rng.uniform(0, 97)))
        self.pictures.use(2)
        for buffer, view in ((self.sun_buffer, sun_view), (self.top_buffer, top_view)):
            buffer.use()
            buffer.clear(depth=1.0)
            self._put(view=view)
            self._draw(scene, arrays, depth_only=True)
        self.sun_depth.use(0)
        self.top_depth.use(1)
        self.canvas.use()
        border = float(rng.uniform(0, 1)) if rng.random() < 0.2 else 0.0
        self.canvas.clear(border, border, border, 1, depth=1.0)
        x0, y0, x1, y1 = camera.window
        self.canvas.scissor = (x0, self.size - y1, x1 - x0, y1 - y0)
        self.canvas.clear(*light.background, 1, depth=1.0)
        self._put(view=camera.matrix(), eye=camera.position)
        self._draw(scene, arrays, depth_only=False)
        self.canvas.scissor = None
        c.copy_framebuffer(self.resolved, self.canvas)
        flat = np.frombuffer(self.resolved.read(components=3, alignment=1), np.uint8)
        return flat.reshape(self.size, self.size, 3)[::-1]

    def draw_triangles(
        self, soup: NDArray[np.float32], camera: Camera, light: Light
    ) -> NDArray[np.uint8]:
        """Plain triangles alone, for tests: what was given is what is seen."""
        scene = Scene(None, soup, [], np.zeros(3), 0.0)
        return self.render(scene, [(camera, light)], np.random.default_rng(0))[0]

    def release(self) -> None:
        """Gives the context back."""
        self.context.release()
